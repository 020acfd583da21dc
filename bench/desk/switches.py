"""Sections of a calibration that may be off: switched on with starting values that are marked as guesses."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from bench.calibration.guesses import guessed
from bench.calibration.rewrite import has_long_ends, long_ends
from bench.desk.convert import lines_in, lines_of, replaced

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

SWITCHED = {
    "sensor.stuck": "A sensor that sticks: the very same reading for long is no reading",
    "sensor.learn": "Learn the rest height while the car stands on the line",
    "engine_ceiling": "Requests by engine speed",
    "shaft_ceiling": "Requests by shaft speed",
}
"""The sections that may be off, and what each is."""
_REDUCTION = 30
_RETARD_DEG = 5


def name_of(section: str) -> str:
    """The setting that says whether a section is on."""
    return f"on {section}"


class Switches:
    """The sections of one calibration's text that can be switched, and its text with some of them switched.

    `start` says of each whether it is on in the text, `values` are the settings of those that are not: what
    they begin with. A section that another key switches on is not among them.
    """

    def __init__(self, cal: CalibrationFile) -> None:
        self._text = cal.text
        self._crlf = has_long_ends(cal.text)
        content = tomllib.loads(cal.text)
        self.start: dict[str, bool] = {}
        self._added: dict[str, list[str]] = {}
        self.values: dict[str, Any] = {}
        self.guessed: dict[str, str] = {}
        for section in SWITCHED:
            there = _has(content, section)
            if section == "sensor.stuck" and "sensor.measured_noise_mm" in _given(cal):
                continue
            self.start[name_of(section)] = there
            if not there:
                lines = _begins(section, cal)
                text = "\n".join(lines)
                self._added[section] = lines
                its: Any = tomllib.loads(text)
                for part in section.split("."):
                    its = its[part]
                self.values |= {f"{section}.{key}": value for key, value in its.items()}
                self.guessed |= {key: more for key, (_, more) in guessed(text).items()}

    def off(self, key: str, values: Mapping[str, Any]) -> bool:
        """Whether a key is of a section that is off in a state."""
        return any(
            not values.get(name_of(section), True) and key.startswith(f"{section}.") for section in SWITCHED
        )

    def turned(self, values: Mapping[str, Any]) -> frozenset[str]:
        """The sections that are otherwise in a state than in the text."""
        return frozenset(
            section
            for section in SWITCHED
            if (name := name_of(section)) in self.start and values.get(name) != self.start[name]
        )

    def text(self, turned: frozenset[str]) -> str:
        """The text with some sections switched. UserError where one does not stand on a line of its own."""
        text = self._text
        if not turned:
            return text
        for section in SWITCHED:
            if section not in turned:
                continue
            text = (
                _with(text, section, self._added[section])
                if section in self._added
                else replaced(text, section, [])
            )
        return long_ends(text) if self._crlf else text


def _has(content: Any, section: str) -> bool:
    for part in section.split("."):
        if not isinstance(content, dict) or part not in content:
            return False
        content = content[part]
    return True


def _given(cal: CalibrationFile) -> set[str]:
    return {f"{one.section}.{one.base}_mm" for one in cal.shown if one.given}


def _with(text: str, section: str, lines: list[str]) -> str:
    """A text with a section more: at its end, or one below another section behind that."""
    old = lines_of(text)
    parent = section.rpartition(".")[0]
    at = lines_in(old, parent)[1] if parent else len(old)
    return "\n".join([*old[:at], "", *lines, *old[at:]]) + "\n"


def _begins(section: str, cal: CalibrationFile) -> list[str]:
    """What a section begins with. It asks for nothing until what is marked is set."""
    if section == "sensor.stuck":
        period = cal.number("sample_ticks") * cal.tick_us / 1000
        return [
            "[sensor.stuck]",
            "band_mm = 0",
            f"time_ms = {max(100, 16 * period):g}  # guessed: longer than a healthy reading stays the same",
            "above_speed_kmh = 10",
        ]
    if section == "sensor.learn":
        period = cal.number("sample_ticks") * cal.tick_us / 1000
        return [
            "[sensor.learn]",
            f"window_ms = {max(300, 8 * period):g}  # guessed: how long the car stands still on the line",
            "spread_mm = 10  # guessed: how far the reading wanders meanwhile",
            "tolerance_mm = 20  # guessed: how far the rest height may lie from the calibrated one",
        ]
    reduction = min(_REDUCTION, cal.number("reduction_limit") / 10)
    retard = min(_RETARD_DEG, cal.number("retard_limit") / 10)
    turns = "engine" if section == "engine_ceiling" else "shaft"
    return [
        f"[{section}]",
        "elapsed_ms = [0, 1000, 2500]  # guessed: the points of the curve over time since the launch",
        f"speed_rpm = [12000, 12000, 12000]  # guessed: no {turns} turns so fast; lower it to a good run",
        'after_end = "stop"',
        *(["before_launch = false"] if turns == "engine" else []),
        "hysteresis_rpm = 50",
        "over_rpm = [0, 300]  # guessed: so far above the curve ...",
        f"reduction_percent = [0, {reduction:g}]  # guessed: ... so much is skipped",
        f"retard_deg = [0, {retard:g}]  # guessed: ... so much is retarded",
        "release_percent_per_s = 300  # guessed",
        "release_deg_per_s = 100  # guessed",
    ]
