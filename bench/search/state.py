"""What a search leaves behind after each generation, so that the same command goes on from there."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from bench.errors import UserError
from bench.files import whole_folder
from bench.search.evolve import Course, Courses, Member, Tried
from bench.search.limits import FIGURES, CarFigures, Judged

STATE = "state.json"
_VERSION = 5
_DONE = "choose another folder, or begin anew with --replace"


def as_text(asked: dict[str, Any], courses: Courses) -> str:
    """The text of state.json. Floats are written so that they are read back as they were."""
    others = {"near_the_start": _plain(courses.near), "without_look_ahead": _plain(courses.plain)}
    found = {"state_version": _VERSION, "asked": asked, **_plain(courses.whole), **others}
    return json.dumps(found) + "\n"


def _plain(course: Course) -> dict[str, Any]:
    return {
        "generation": course.generation,
        "runs": course.runs,
        "best": course.best,
        "members": [
            {
                "shares": m.shares,
                "values": m.values,
                "driven": {name: getattr(m.driven, name).tolist() for name in FIGURES},
            }
            for m in course.members
        ],
        "tried": [{"values": t.values, "judged": vars(t.judged)} for t in course.tried],
    }


def save(folder: Path, asked: dict[str, Any], courses: Courses) -> None:
    """Write a folder that holds the state alone, whole."""
    with whole_folder(folder) as made:
        (made / STATE).write_text(as_text(asked, courses), encoding="utf-8")


def load(folder: Path, asked: dict[str, Any], replace: bool = False) -> Courses | None:
    """The courses of a folder; None where there is nothing, or with `replace` nothing to go on with.
    UserError where it holds something else, or a search that was asked for with something else."""
    try:
        return _load(folder, asked)
    except UserError:
        if replace:
            return None
        raise


def _load(folder: Path, asked: dict[str, Any]) -> Courses | None:
    path = folder / STATE
    if not path.exists():
        if folder.is_dir() and any(folder.iterdir()):
            raise UserError("holds something that is no search", folder, "choose another folder")
        return None
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        before = found["asked"]
        if found["state_version"] != _VERSION:
            raise UserError("is a search of another version of Liftlatch", folder, _DONE)
        if before != asked:
            raise UserError(_difference(before, asked), folder, _DONE)
        return Courses(_course(found), _course(found["near_the_start"]), _course(found["without_look_ahead"]))
    except (ValueError, KeyError, TypeError, AttributeError):
        raise UserError("is damaged", path, _DONE) from None


def _course(found: dict[str, Any]) -> Course:
    return Course(
        found["generation"],
        [Member(m["shares"], tuple(m["values"]), _driven(m["driven"])) for m in found["members"]],
        [Tried(tuple(t["values"]), Judged(**t["judged"])) for t in found["tried"]],
        found["runs"],
        found["best"],
    )


def _driven(found: dict[str, list[float]]) -> CarFigures:
    return CarFigures(*(np.asarray(found[name], dtype=np.float64) for name in FIGURES))


def _difference(before: dict[str, Any], asked: dict[str, Any]) -> str:
    """Such as "holds a search with another seed (1, now 2)"."""
    key = next(k for k in [*asked, *before] if before.get(k) != asked.get(k))
    if key in ("vehicle", "calibration"):
        return f"holds a search with another {key} file, or it was changed since"
    if key == "program":
        return "holds a search by another version of Liftlatch"
    return f"holds a search with another {key} ({_short(before.get(key))}, now {_short(asked.get(key))})"


def _short(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{k} {v:g}" for k, v in value.items())
    return str(value)
