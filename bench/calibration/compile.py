"""From a file or a text to a compiled calibration, with all its mistakes or its warnings."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from bench.calibration.advice import advise
from bench.calibration.build import build
from bench.calibration.calibration_file import CalibrationFile
from bench.calibration.image import judge, pack
from bench.calibration.parsing import parse
from bench.calibration.reader import CalibrationMistakes, read_text


def load(path: str | os.PathLike[str]) -> CalibrationFile:
    """The calibration of a file.

    Raises CalibrationMistakes (a UserError) with all of its mistakes at once, and OSError where it cannot be
    read.
    """
    raw, text = read_text(path)
    return compile_text(text, path, hashlib.sha256(raw).hexdigest())


def compile_text(text: str, path: str | os.PathLike[str], digest: str = "") -> CalibrationFile:
    """The calibration of a text; `path` is the name it has in messages. Raises CalibrationMistakes."""
    file = parse(os.fspath(path), text, "calibration")
    built = build(file)
    if file.mistakes:
        raise CalibrationMistakes(mistake for _, mistake in sorted(file.mistakes, key=lambda entry: entry[0]))
    image = pack(file.values)
    judge(image)  # a refusal here is a mistake of ours
    cal = CalibrationFile(
        Path(path),
        text,
        digest or hashlib.sha256(text.encode()).hexdigest(),
        image,
        int.from_bytes(image[8:12], "little"),
        file.values,
        list(file.warnings),
        [],
        file.shown,
        built,
    )
    warnings, notes = advise(cal)
    cal.warnings.extend(warnings)
    cal.notes.extend(notes)
    return cal
