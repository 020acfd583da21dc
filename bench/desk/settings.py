"""The few numbers of a calibration that a person moves at the desk, read from its text and written back.

A state of the desk is a dict of all of them by the names used here. Lifts and progress are in the units in
which the file's ceilings are written, everything else in the units named below.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from dataclasses import asdict, dataclass
from fractions import Fraction
from functools import cached_property
from typing import TYPE_CHECKING, Any

from bench.calibration.guesses import guessed
from bench.calibration.rewrite import Rewriter, in_unit_of_file
from bench.desk.keys import ABOUT, CHOICES, as_measured, other_keys
from bench.desk.switches import SWITCHED, Switches, name_of
from bench.errors import UserError
from controller.constants import AXIS_POINTS, FROM_LANDING

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

Row = list[float | int]
Value = float | int | str | Row | list[Row] | list[str]
Values = dict[str, Value]

LINES = ("retard_from", "reduction_from", "reduction_full")
POINTS = "points"
STEP = "step"
MEASURED = "measured"
"""The setting that lists the keys whose guess has been measured."""
_MOST_POINTS = 64
_CEILINGS = (*LINES, POINTS)
MAPS = {"map_reduction": "reduction_percent", "map_retard": "retard_deg"}
"""The tables of a file with maps: [lifts][progress points], over `map_lift` and `points`."""
MAP_LIFT = "map_lift"
_CHOICES = {"hold_from": ("peak", "landing")}
_MOST = 1e6  # nothing a calibration has is larger; what it may be, the checker says


@dataclass(frozen=True)
class Knob:
    """One number with a slider. `key` is where it stands in a calibration, `words` and `hint` what the page
    says of it; the slider goes from `low` to `high`, the field beside it takes what the checker takes."""

    name: str
    key: str
    words: str
    hint: str
    unit: str
    low: float
    high: float
    step: float


KNOBS = (
    Knob("hold", "latch.hold_ms", "Hold", "keep the strongest cut so long", "ms", 0, 1000, 5),
    Knob(
        "release", "latch.release_percent_per_s", "Give back",
        "so much of the engine's torque a second", "%/s", 20, 2000, 10,
    ),
    Knob(
        "greatest_reduction", "ceilings.greatest_reduction_percent", "Greatest cut",
        "at the top ceiling and above", "%", 0, 100, 1,
    ),
    Knob(
        "greatest_retard", "ceilings.greatest_retard_deg", "Greatest retard",
        "at the top ceiling and above", "°", 0, 30, 0.5,
    ),
    Knob(
        "look_rising", "look_ahead.rising_ms", "Look ahead, rising",
        "act on the lift expected so much later; cuts earlier", "ms", 0, 400, 5,
    ),
    Knob(
        "look_falling", "look_ahead.falling_ms", "Look ahead, falling",
        "the same while the nose comes down; gives back earlier", "ms", 0, 400, 5,
    ),
    Knob("trigger", "latch.trigger_percent", "Trigger", "a smaller cut is not worth making", "%", 0, 20, 0.5),
    Knob(
        "within", "ceilings.largest_difference_percent", "Maps within",
        "how far the controller's maps may lie from these ceilings", "%", 1, 25, 0.5,
    ),
)  # fmt: skip
_OF_CEILINGS = ("greatest_reduction", "greatest_retard", "within")

# What a file that leaves a key out has: name -> from its compiled values. The others must be there.
_DEFAULTS: dict[str, Callable[[CalibrationFile], float]] = {
    "look_rising": lambda cal: cal.number("look_rising_q12") * 1000 / (16 * 4096),
    "look_falling": lambda cal: cal.number("look_falling_q12") * 1000 / (16 * 4096),
    "trigger": lambda cal: cal.number("trigger") / 10,
    "within": lambda cal: 8.0,
}


class Settings:
    """The settings around one calibration text.

    `start` are its own values. With maps in the place of ceilings there are none of the ceilings' settings
    (`has_ceilings`). `lift_step` is what a lift moves by, in the file's unit.
    """

    def __init__(self, cal: CalibrationFile) -> None:
        self.cal = cal
        self._content: dict[str, Any] = tomllib.loads(cal.text)
        self.has_ceilings = cal.built.ceilings_mm is not None
        self.switches = Switches(cal)
        self.lift_step = _nice(1 / cal.built.lift_size)
        self._progress_key = "elapsed_ms" if cal.progress_unit == "ms" else "speed_kmh"
        self.start: Values = {}
        if self.has_ceilings:
            self._read_ceilings()
        else:
            self._read_maps()
        for knob in KNOBS:
            if self.has_ceilings or knob.name not in _OF_CEILINGS:
                self.start[knob.name] = self._read(knob)
        landing = cal.number("hold_from") == FROM_LANDING
        self.start["hold_from"] = _CHOICES["hold_from"][landing]
        known = {self.key_of(name) for name in self.start} | {"latch.release"}
        self.others = other_keys(cal, self._content, known) | self.switches.values
        self.start |= self.others
        self.start |= self.switches.start
        self.start[MEASURED] = []
        # What was ever set stays set, so that one parsed text serves for all results of a kind.
        self._rewriters: dict[frozenset[str], tuple[Rewriter, set[str]]] = {}

    @property
    def kind(self) -> tuple[Any, ...]:
        """What must be equal for the states of one calibration to mean the same with another."""
        built = self.cal.built
        return (self.has_ceilings, built.lift_sign, built.progress_sign)

    def _section(self, name: str) -> dict[str, Any]:
        found = self._content.get(name, {})
        return found if isinstance(found, dict) else {}

    def _read(self, knob: Knob) -> Value:
        section, _, key = knob.key.rpartition(".")
        table = self._section(section)
        if knob.name == "release" and "release" in table:
            return STEP
        there, factor = in_unit_of_file(table, key)
        if there in table:
            return _short(Fraction(repr(table[there])) / factor)
        return _short(Fraction(repr(_DEFAULTS[knob.name](self.cal))))

    def _read_ceilings(self) -> None:
        table = self._section("ceilings")
        full, _ = in_unit_of_file(table, "reduction_full_mm")
        self._lift_unit = full.removeprefix("reduction_full_")
        self._progress_key, _ = in_unit_of_file(table, self._progress_key)
        for name in LINES:
            there, factor = in_unit_of_file(table, f"{name}_{self._lift_unit}")
            self.start[name] = [_short(Fraction(repr(v)) / factor) for v in table[there]]
        self.start[POINTS] = [_short(Fraction(repr(v))) for v in table[self._progress_key]]

    def _read_maps(self) -> None:
        table = self._section("maps")
        self._map_keys = {}
        for name, key in (*MAPS.items(), (MAP_LIFT, "lift_mm"), (POINTS, self._progress_key)):
            there, _ = in_unit_of_file(table, key)
            self._map_keys[name] = f"maps.{there}"
            given = table[there]
            self.start[name] = (
                [[_short(Fraction(repr(v))) for v in row] for row in given]
                if name in MAPS
                else [_short(Fraction(repr(v))) for v in given]
            )

    def key_of(self, name: str) -> str:
        """The dotted key of a setting, in the unit that it has here."""
        if not self.has_ceilings and name in self._map_keys:
            return self._map_keys[name]
        if name in self.switches.start:
            return f"[{name.removeprefix('on ')}]"
        if "." in name or name == MEASURED:
            return name
        if name in LINES:
            return f"ceilings.{name}_{self._lift_unit}"
        if name == POINTS:
            return f"ceilings.{self._progress_key}"
        if name == "hold_from":
            return "latch.hold_from"
        return next(knob.key for knob in KNOBS if knob.name == name)

    def checked(self, given: object, now: Values) -> Values:
        """The state `now` with some settings as a page gave them. UserError for what is no setting or no
        value of its kind; whether a calibration can have it is the checker's matter."""
        if not isinstance(given, dict) or not given:
            raise UserError("nothing to set", right="settings by their names")
        made = dict(now)
        for name, value in given.items():
            if name not in self.start:
                raise UserError("there is no such setting", repr(name)[:40])
            made[name] = self._value(str(name), value)
        lengths = {len(value) for name in _CEILINGS if isinstance(value := made.get(name), list)}
        if self.has_ceilings and len(lengths) > 1:
            raise UserError("ceilings of different lengths", right="a lift for each point")
        if not self.has_ceilings:
            rows, columns = len(_row(made[MAP_LIFT])), len(_row(made[POINTS]))
            for name in MAPS:
                table = made[name]
                assert isinstance(table, list)
                if len(table) != rows or any(len(_row(row)) != columns for row in table):
                    what = "a map that does not fit its lifts and points"
                    raise UserError(what, name, f"{rows} rows of {columns} numbers")
        return made

    def _value(self, name: str, value: object) -> Value:
        if name in _CHOICES:
            if value not in _CHOICES[name]:
                raise UserError("no such choice", name, " or ".join(_CHOICES[name]))
            return str(value)
        if name == MEASURED:
            if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
                raise UserError("are no keys", name, "keys that are guessed")
            return sorted({v for v in value if v in self.guessed})
        if name in self.others or name in self.switches.start:
            return self._other(name, value)
        if name in MAPS:
            if not isinstance(value, list) or not 1 <= len(value) <= AXIS_POINTS:
                raise UserError("is not a table", name, f"1 to {AXIS_POINTS} rows")
            return [_row(self._value(POINTS, row)) for row in value]
        if name in (*_CEILINGS, MAP_LIFT):
            if not isinstance(value, list) or not 1 <= len(value) <= AXIS_POINTS:
                raise UserError("is not a list", name, f"1 to {AXIS_POINTS} numbers")
            return [_number(name, v) for v in value]
        if name == "release" and value == STEP:
            return STEP
        return _number(name, value)

    def _other(self, name: str, value: object) -> Value:
        """A value of a key that has no place of its own, of the kind that it had."""
        was = self.start[name]
        if isinstance(was, list):
            if not isinstance(value, list) or not 1 <= len(value) <= _MOST_POINTS:
                raise UserError("is not a list", name, f"1 to {_MOST_POINTS} numbers")
            return [_number(name, v) for v in value]
        if isinstance(was, bool | str):
            if type(value) is not type(was) or (isinstance(was, str) and value not in CHOICES[name]):
                raise UserError("no such choice", name)
            return bool(value) if isinstance(was, bool) else str(value)
        return _number(name, value)

    @cached_property
    def guessed(self) -> dict[str, str]:
        """The keys of the text that are guessed, and what is said of each."""
        own = {key: more for key, (_, more) in guessed(self.cal.text).items()}
        return own | self.switches.guessed

    def guesses(self, values: Values) -> dict[str, str]:
        """Those of the sections that are on in a state."""
        return {key: more for key, more in self.guessed.items() if not self.switches.off(key, values)}

    @cached_property
    def sections(self) -> list[dict[str, Any]]:
        """The other keys by their sections, for the page."""
        found: dict[str, dict[str, Any]] = {}
        for key in self.others:
            name = key.split(".")[0]
            title, why, seen = ABOUT.get(name, (name, "", ""))
            section = found.setdefault(
                name, {"title": title, "why": why, "seen": seen, "keys": [], "switches": []}
            )
            section["keys"].append({"key": key, "choices": CHOICES.get(key)})
        for of, words in SWITCHED.items():
            if name_of(of) in self.switches.start:
                switch = {"name": name_of(of), "of": f"{of}.", "words": words}
                found[of.split(".")[0]]["switches"].append(switch)
        places = {name: place for place, name in enumerate(ABOUT)}
        return [found[name] for name in sorted(found, key=lambda name: places.get(name, len(places)))]

    def text(self, values: Values) -> str:
        """The calibration's text with a state; everything else and the comments are as they were, but for
        "guessed" behind what was measured since."""
        base = self.switches.text(self.switches.turned(values))
        text = Rewriter(base).set(self._changes(values, self._different(values)))
        measured = values.get(MEASURED)
        return as_measured(text, [str(v) for v in measured]) if isinstance(measured, list) else text

    def text_to_try(self, values: Values) -> str:
        """As `text`, quicker, and perhaps with numbers written another way: to compile, not to save."""
        turned = self.switches.turned(values)
        if turned not in self._rewriters:
            self._rewriters[turned] = Rewriter(self.switches.text(turned)), set()
        rewriter, touched = self._rewriters[turned]
        touched |= self._different(values)
        return rewriter.set(self._changes(values, touched))

    def _different(self, values: Values) -> set[str]:
        """The settings to write: what differs, of the sections that are on."""
        own = {MEASURED, *self.switches.start}
        return {
            name
            for name, value in values.items()
            if name not in own and value != self.start[name] and not self.switches.off(name, values)
        }

    def _changes(self, values: Values, names: set[str]) -> dict[str, Any]:
        changes: dict[str, Any] = {}
        for name in values:
            if name not in names:
                continue
            value: Value | None = values[name]
            if name == "release":
                changes["latch.release"] = STEP if value == STEP else None
                value = None if value == STEP else value
            changes[self.key_of(name)] = value
        return changes

    def changed(self, values: Values) -> list[dict[str, str]]:
        """What differs from the text: the keys, as it was and as it is."""
        return [
            {
                "key": self.key_of(name),
                "was": self._word(name, self.start[name]),
                "now": self._word(name, value),
            }
            for name, value in values.items()
            if value != self.start[name] and not self.switches.off(name, values)
        ]

    def _word(self, name: str, value: Value) -> str:
        if name in self.switches.start:
            return "on" if value else "off"
        return self._written(value)

    @staticmethod
    def _written(value: Value) -> str:
        if isinstance(value, list):
            return ", ".join(
                f"[{Settings._written(v)}]" if isinstance(v, list) else Settings._written(v) for v in value
            )
        if isinstance(value, bool):
            return "true" if value else "false"
        return value if isinstance(value, str) else f"{value:g}"

    def ranges(self, values: Values, top: float) -> dict[str, Any]:
        """How far each handle of the ceilings may move while the others stay: name -> [[low, high], ...]."""
        if not self.has_ceilings:
            return {}
        retard, reduction, full = (_floats(values[name]) for name in LINES)
        step = self.lift_step
        below = [[0.0, max(0.0, _tidy(f - step))] for f in full]
        above = [
            [_tidy(max(a, b) + step), max(top, f)] for a, b, f in zip(retard, reduction, full, strict=True)
        ]
        return {"retard_from": below, "reduction_from": below, "reduction_full": above}

    def knobs(self) -> list[dict[str, Any]]:
        """What the page must know to draw the sliders."""
        found = []
        for knob in KNOBS:
            if knob.name not in self.start:
                continue
            shown = asdict(knob)
            own = self.start[knob.name]
            if isinstance(own, int | float):
                shown["high"] = max(knob.high, own)
                shown["low"] = min(knob.low, own)
            found.append(shown)
        return found


def _row(value: object) -> Row:
    assert isinstance(value, list)
    return value


def _floats(value: Value) -> list[float]:
    assert isinstance(value, list)
    return [float(v) for v in value if isinstance(v, int | float)]


def _number(name: str, value: object) -> float | int:
    if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
        raise UserError("is not a number", name, "a number")
    if abs(value) > _MOST:
        raise UserError("is not a number a calibration can have", name)
    return _short(Fraction(repr(value)))


def _short(exact: Fraction) -> float | int:
    """A number as a person would write it: whole where it is, else with no more than six decimals."""
    rounded = round(float(exact), 6)
    return int(rounded) if rounded == int(rounded) else rounded


def _tidy(value: float) -> float:
    return round(value, 6)


def _nice(least: float) -> float:
    """The next of 1, 2 and 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(least) + 1e-9)
    factor = next(f for f in (1, 2, 5, 10) if f * power >= least * (1 - 1e-9))
    return round(factor * power, 9)
