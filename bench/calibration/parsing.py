"""A TOML text of ours as a file to read sections from, or one clear line of what it is instead."""

from __future__ import annotations

from bench.calibration.reader import CalibrationMistakes, File
from bench.errors import UserError
from bench.toml import parse_toml

_KINDS = {
    "calibration": ({"ceilings", "maps", "latch", "progress", "filter"}, "--calibration"),
    "car": ({"body", "rear_tyre", "front_tyre", "gearbox", "converter", "clutch"}, "--vehicle"),
}


def parse(name: str, text: str, kind: str) -> File:
    """A file of a kind, "calibration" or "car", to read sections from. CalibrationMistakes with the line of
    what is no TOML, or for a file of the other kind."""
    try:
        data = parse_toml(text, name, kind)
    except UserError as error:
        raise CalibrationMistakes([error]) from None
    for other, (sections, option) in _KINDS.items():
        if other != kind and sections & data.keys() and not _KINDS[kind][0] & data.keys():
            mistake = UserError(f"is a {other} file, and no {kind}", name, f"{option} takes it")
            raise CalibrationMistakes([mistake])
    return File(name, text, data)
