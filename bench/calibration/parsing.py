"""A TOML text of ours as a file to read sections from, or one clear line of what it is instead."""

from __future__ import annotations

import re
import tomllib

from bench.calibration.reader import CalibrationMistakes, File
from bench.errors import UserError

_KINDS = {
    "calibration": ({"ceilings", "maps", "latch", "progress", "filter"}, "--calibration"),
    "car": ({"body", "rear_tyre", "front_tyre", "gearbox", "converter", "clutch"}, "--vehicle"),
}


def parse(name: str, text: str, kind: str) -> File:
    """A file of a kind, "calibration" or "car", to read sections from. CalibrationMistakes with the line of
    what is no TOML, or for a file of the other kind."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        place = re.search(r" \(at line (\d+), column (\d+)\)$", message)
        line = int(place[1]) if place else text.count("\n") + 1
        what = message[: place.start()] if place else message.removesuffix(" (at end of document)")
        column = f", column {place[2]}" if place else ", at its end"
        what = f"is not TOML: {what[:1].lower()}{what[1:]}{column}"
        right = "key = value, one a line"
        head = text.partition("\n")[0]
        if "=" not in head and max(head.count(mark) for mark in ",;\t") > 1:
            what, right = f"looks like a table of numbers, and no {kind}", f"a {kind} file, which is TOML"
        mistake = UserError(what, f"{name}:{line}", right)
        raise CalibrationMistakes([mistake]) from None
    except (ValueError, RecursionError):
        # A number of thousands of digits, or brackets thousands deep.
        what = "is nested too deeply, or has a number of too many digits"
        raise CalibrationMistakes([UserError(what, f"{name}:1", "numbers, lists and tables")]) from None
    for other, (sections, option) in _KINDS.items():
        if other != kind and sections & data.keys() and not _KINDS[kind][0] & data.keys():
            mistake = UserError(f"is a {other} file, and no {kind}", name, f"{option} takes it")
            raise CalibrationMistakes([mistake])
    return File(name, text, data)
