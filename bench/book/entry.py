"""What a person says of a run: kept as run.toml in the run's folder, plain and to be mended by hand too.

Keys that are not known here, of a newer version or by hand, are kept as they are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from bench.book.air import density, density_altitude, standard_pressure
from bench.errors import UserError
from bench.toml import parse_toml
from bench.vehicle.results import MARKS_FT

FILE = "run.toml"
VERSION = 1
FEET = tuple(map(str, MARKS_FT))
_KMH_IN_MPH = 1.609344  # exact, from the definition of the mile
# key of [air] -> least and greatest
AIR = {
    "temperature_c": (-40.0, 60.0),
    "pressure_hpa": (500.0, 1100.0),
    "humidity_percent": (0.0, 100.0),
    "altitude_m": (-500.0, 5000.0),
}

Entry = dict[str, Any]


def read(path: Path) -> Entry:
    """What a run.toml says. Raises UserError where it is none."""
    try:
        found = parse_toml(path.read_text("utf-8"), path, "run")
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"cannot be read ({error})", path, "mend it, or take it from a copy") from None
    wrong = [name for name in ("run", "log", "air", "slip") if not isinstance(found.get(name, {}), dict)]
    if wrong:
        raise UserError(f"{wrong[0]} is no table", path, f"write [{wrong[0]}] and its keys below it")
    return found


def text(entry: Mapping[str, Any]) -> str:
    """An entry as run.toml."""
    import tomlkit

    return tomlkit.dumps({name: value for name, value in entry.items() if value != {}})


def changed(entry: Entry, told: Mapping[str, Any]) -> Entry:
    """The entry with what is told: `when`, `lane`, `note`, `changed` (texts), `reaction_s`, the keys of AIR
    (numbers), `slips` (texts as slip() takes them). None and nothing leave it as it is; an empty text and NaN
    take a value out. Raises UserError for what cannot be."""
    found = {key: dict(value) if isinstance(value, dict) else value for key, value in entry.items()}
    run, air, slips = (found.setdefault(name, {}) for name in ("run", "air", "slip"))
    for name in ("when", "lane", "note", "changed"):
        _put(run, name, None if told.get(name) is None else str(told[name]).strip())
    if run.get("when"):
        _check_time(run["when"])
    for name, (least, greatest) in AIR.items():
        value = told.get(name)
        if value is not None and not math.isnan(value) and not least <= value <= greatest:
            option = f"--{name.split('_')[0]}"
            raise UserError(f"{value:g} cannot be", option, f"give {least:g} to {greatest:g}")
        _put(air, name, value)
    _put(slips, "reaction_s", told.get("reaction_s"))
    for word in told.get("slips") or ():
        for name, value in slip(word).items():
            _put(slips, name, value)
    return found


def _put(table: Entry, name: str, value: Any) -> None:
    if value == "" or (isinstance(value, float) and math.isnan(value)):
        table.pop(name, None)
    elif value is not None:
        table[name] = value


def _check_time(value: Any) -> None:
    try:
        datetime.fromisoformat(str(value))
    except ValueError:
        raise UserError(f"{value!r} is no time", "--when", "such as 2026-05-02T14:30") from None


def slip(word: str) -> dict[str, float]:
    """A line of a time slip, FT=S or FT=S@SPEED with km/h or mph, such as 660=4.912@241km/h; nothing for the
    time or the speed takes it out (NaN)."""
    right = "such as 60=1.021 or 660=4.912@241km/h; 60, 330, 660, 1000 or 1320 ft"
    feet, mark, rest = word.partition("=")
    feet = feet.strip().removesuffix("ft").strip()
    seconds, at, speed = rest.partition("@")
    if not mark or feet not in FEET:
        raise UserError(f"{word!r} is no line of a time slip", "--slip", right)
    found = {f"{feet}_ft_s": _number(seconds, word, right)}
    if at:
        plain = speed.strip().lower()
        factor = _KMH_IN_MPH if plain.endswith("mph") else 1.0
        plain = plain.removesuffix("mph").removesuffix("km/h").removesuffix("kmh")
        found[f"{feet}_ft_km_per_h"] = round(factor * _number(plain, word, right), 3)
    return found


def _number(text_: str, word: str, right: str) -> float:
    if not text_.strip():
        return math.nan
    try:
        value = float(text_)
    except ValueError:
        value = -1.0
    if not 0 < value < 1000:
        raise UserError(f"{word!r} is no line of a time slip", "--slip", right)
    return value


def air_of(entry: Mapping[str, Any]) -> dict[str, float | None]:
    """Density in kg/m3 and density altitude in m of a run; None where the air is not known well enough: that
    takes a temperature, and a pressure or an altitude, whose standard pressure then stands in."""
    air = entry.get("air", {})
    temperature, pressure, altitude = (air.get(k) for k in ("temperature_c", "pressure_hpa", "altitude_m"))
    if pressure is None and altitude is not None:
        pressure = standard_pressure(altitude) / 100
    if temperature is None or pressure is None:
        return {"density_kg_m3": None, "density_altitude_m": None}
    found = density(temperature, 100 * pressure, air.get("humidity_percent", 0.0) / 100)
    return {"density_kg_m3": round(found, 4), "density_altitude_m": round(density_altitude(found), 0)}
