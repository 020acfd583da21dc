"""A calibration for someone who has none: the questions of `liftlatch start`, asked on the page."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from bench.calibration import compile_text
from bench.errors import UserError
from bench.files import write_whole
from bench.start import files
from bench.start.placing import place
from bench.start.questions import QUESTIONS
from bench.vehicle.vehicle_file import read

_LONGEST = 200


def questions() -> list[dict[str, Any]]:
    """What is asked, for the page: name, words, where to measure it, unit, and what stands in for it."""
    wanted = ("name", "asks", "measure", "unit", "guess")
    return [{key: asdict(one)[key] for key in wanted} for one in QUESTIONS]


def begin(answers: object, folder: Path) -> tuple[Path, Path]:
    """Write the calibration and the car file that follow from the answers, as `liftlatch start` does; gives
    both. Raises UserError, with nothing written, where an answer cannot be or a file is there already."""
    if not isinstance(answers, dict):
        raise UserError("no answers", right="answer the questions")
    told = {
        one.name: text
        for one in QUESTIONS
        if isinstance(text := answers.get(one.name), str) and text.strip() and len(text) <= _LONGEST
    }
    missing = [one.asks for one in QUESTIONS if not one.guess and one.name not in told]
    if missing:
        raise UserError("not answered", right=" ".join(missing))
    paths = folder / files.CALIBRATION, folder / files.CAR
    for path in paths:
        if path.exists():
            raise UserError(f"is there already, in {folder}", path.name, "start the desk in another folder")
    begun = place(told)
    texts = files.calibration_text(begun), files.car_text(begun)
    compile_text(texts[0], paths[0])
    read(texts[1], paths[1])
    for path, text in zip(paths, texts, strict=True):
        write_whole(path, text)
    return paths
