"""mutmut in a copy of the project: mutants are made, chosen, and each meets the tests."""

from __future__ import annotations

import ast
import hashlib
import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

MUTATED = ("controller/*.py", "bench/link/frames.py", "bench/link/protocol.py")
"""The reference, and both halves of the decoder: bytes to payloads, payloads to messages."""

FOUND = ("killed", "timeout")


@dataclass(frozen=True)
class Stage:
    """Tests that a mutant meets: files or tests, and those of them to leave out."""

    tests: Sequence[str]
    without: Sequence[str] = ()


@dataclass(frozen=True)
class Mutant:
    """One mutant: mutmut's name, where it is, the changed lines before and after, and what became of it."""

    name: str
    function: str
    was: str
    becomes: str
    status: str


@dataclass(frozen=True)
class Project:
    """A project that mutmut can run: sources to mutate, packages and files beside them that tests need."""

    sources: Sequence[str]
    mutated: Sequence[str]
    beside: Sequence[str]
    more: Sequence[str] = ("-p", "no:cacheprovider")


def configure(folder: Path, project: Project, stage: Stage) -> None:
    """Writes mutmut's configuration to the end of a copy's pyproject.toml."""
    path = folder / "pyproject.toml"
    text = path.read_text(encoding="utf-8").split("\n[tool.mutmut]\n")[0] if path.exists() else ""
    arguments = [*project.more, *(f"--deselect={test}" for test in stage.without)]
    settings: dict[str, object] = {
        "source_paths": list(project.sources),
        "only_mutate": list(project.mutated),
        "also_copy": list(project.beside),
        "pytest_add_cli_args": arguments,
        "pytest_add_cli_args_test_selection": list(stage.tests),
        "timeout_constant": 5.0,
        "timeout_multiplier": 5.0,  # other work may be going on
        "track_dependencies": False,
        "use_git_change_detection": False,
    }
    # JSON's numbers, texts and lists of texts are TOML's too.
    lines = [f"{name} = {json.dumps(value)}" for name, value in settings.items()]
    path.write_text("\n".join([text, "[tool.mutmut]", *lines, ""]), encoding="utf-8")


# Runs in the copy: mutmut reads its settings from where it is started.
_MAKE = """
from mutmut import __main__ as mutmut
from mutmut.utils.file_utils import copy_also_copy_files, copy_src_dir, walk_source_files
import os
os.makedirs("mutants", exist_ok=True)
copy_src_dir()
copy_also_copy_files()
for path in sorted(walk_source_files()):
    made = mutmut.create_file_mutants(path)
    if made.error:
        raise made.error
"""

_SHOW = """
import json, sys
from mutmut.mutation.diff_apply import find_mutant, get_diff_for_mutant
names = json.load(sys.stdin)
shown = {name: get_diff_for_mutant(name, path=find_mutant(name).path) for name in names}
json.dump(shown, open("shown.json", "w"))
"""


def make(folder: Path, project: Project) -> None:
    """Makes the mutants of a copy's files; none has met a test then."""
    configure(folder, project, Stage(()))
    _call(folder, [sys.executable, "-c", _MAKE])


def statuses(folder: Path) -> dict[str, str]:
    """What became of each mutant by its name: killed, timeout, survived, not checked ..."""
    from mutmut.stats import status_by_exit_code

    found: dict[str, str] = {}
    for path in sorted((folder / "mutants").rglob("*.meta")):
        codes = json.loads(path.read_text(encoding="utf-8"))["exit_code_by_key"]
        found |= {name: status_by_exit_code[code] for name, code in codes.items()}
    return found


def meet(folder: Path, project: Project, stage: Stage, names: Sequence[str]) -> list[str]:
    """Each of some mutants meets a stage's tests; those that no test failed for."""
    if not names:
        return []
    configure(folder, project, stage)
    # Which tests run which function is found out anew for the stage's tests.
    (folder / "mutants" / "mutmut-stats.json").unlink(missing_ok=True)
    _call(folder, [sys.executable, "-P", str(Path(__file__).with_name("launch.py")), *names])
    now = statuses(folder)
    return [name for name in names if now[name] != "killed"]


def describe(folder: Path, names: Sequence[str]) -> list[Mutant]:
    """The mutants of some names with what they change."""
    if not names:
        return []
    _call(folder, [sys.executable, "-c", _SHOW], json.dumps(list(names)))
    shown = json.loads((folder / "shown.json").read_text(encoding="utf-8"))
    became = statuses(folder)
    return [Mutant(name, plain(name), *changed(shown[name]), became[name]) for name in names]


def changed(diff: str) -> tuple[str, str]:
    """The lines that a mutant's diff takes out and those that it puts in, without indentation."""
    lines = [line for line in diff.splitlines() if not line.startswith(("---", "+++", "@@", "#"))]
    out, into = ([line[1:].strip() for line in lines if line.startswith(sign)] for sign in "-+")
    return " / ".join(out), " / ".join(into)


def plain(name: str) -> str:
    """`controller.latch.xǁLatchǁkeep__mutmut_6` (a mutant or a function of mutmut's) as
    `controller.latch.Latch.keep`."""
    module, _, mangled = name.partition("__mutmut_")[0].rpartition(".")
    parts = mangled.split("ǁ")[1:] if mangled.startswith("xǁ") else [mangled[2:]]
    return ".".join([module, *parts])


def functions(source: str, module: str) -> dict[str, str]:
    """Each function of a source, named as by `plain`, and a digest of what it says (comments aside)."""
    found = {}
    for node in ast.parse(source).body:
        inside = node.body if isinstance(node, ast.ClassDef) else [node]
        for item in inside:
            if isinstance(item, ast.FunctionDef):
                owner = [node.name] if isinstance(node, ast.ClassDef) else []
                words = ast.dump(item, annotate_fields=False).encode()
                found[".".join([module, *owner, item.name])] = hashlib.sha256(words).hexdigest()[:16]
    return found


def module_of(path: Path) -> str:
    """`controller/latch.py` as `controller.latch`."""
    return ".".join(path.with_suffix("").parts)


def by_module(became: dict[str, str]) -> dict[str, Counter[str]]:
    """Counts of each status by module."""
    counts: dict[str, Counter[str]] = {}
    for name, status in became.items():
        module = name.rpartition(".")[0]
        counts.setdefault(module, Counter())[status] += 1
    return counts


def _call(folder: Path, words: Sequence[str], given: str = "") -> None:
    environment = {**os.environ, "CI": "true", "PYTHONDONTWRITEBYTECODE": "1"}
    environment.pop("PYTHONPATH", None)
    with (folder / "mutmut.log").open("ab") as log:
        done = subprocess.run(
            words, cwd=folder, env=environment, input=given.encode(), stdout=log, stderr=log, check=False
        )
    if done.returncode != 0:
        said = (folder / "mutmut.log").read_text(encoding="utf-8", errors="replace").replace("\r", "\n")
        raise SystemExit("mutmut did not run:\n" + "\n".join(said.splitlines()[-60:]))
