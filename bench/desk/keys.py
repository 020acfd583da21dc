"""All other keys of a calibration at the desk: where each has its effect, and which values are guessed."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from bench.calibration.show import facts_with_keys

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

CHOICES = {
    "progress.speed_from": ("car", "front_wheel"),
    "engine_ceiling.after_end": ("hold", "stop"),
    "shaft_ceiling.after_end": ("hold", "stop"),
    "cylinders.skips": ("both", "spark", "fuel"),
}
_FIXED = {"progress.by", "car.name"}
"""What is not moved here: one changes what everything else is counted in, the other is a name."""

ABOUT = {
    "sensor": ("The height sensor", "Measured at the car, once; wrong numbers here make every lift wrong.",
               "the lift, the shades of what is not believed, the bars of faults"),
    "filter": ("Smoothing", "Against spikes and noise; each ms of it comes later.", "the lift, the cut"),
    "look_ahead": ("Look ahead", "How calmly the rate of rise is taken.", "the lift with look-ahead"),
    "car": ("The car", "How far the nose rises with the wheels on the ground.", "what is worth a look"),
    "tick": ("The step", "One step of the controller.", "everything"),
    "progress": ("How far the run has come", "By what the ceilings come down, and what is believed of it.",
                 "where the run's lift lies under the ceilings"),
    "latch": ("Retard and trigger", "The retard's own latch, and how soon a cut begins.", "the retard"),
    "fault": ("When the sensor fails", "What is kept, and taken blindly, while the height is not believed.",
              "the cut in the shaded parts, kept and blind in the bars"),
    "engine_ceiling": ("Requests by engine speed", "A curve over time, and what is taken above it.",
                       "engine in the bars of who set the cut"),
    "shaft_ceiling": ("Requests by shaft speed", "A curve over time, and what is taken above it.",
                      "shaft in the bars of who set the cut"),
    "limits": ("Never more than this", "Over all that asks, at any time.",
               "the top of the cut and the retard"),
    "cylinders": ("Cylinders", "Of the engine and its ignition.", "the report's cylinder events"),
    "arming": ("Arming", "How long a switch must be open to count.", "where a launch ends"),
    "link": ("When the inputs stop", "Of a device that is fed over a line.", "a device, not here"),
}  # fmt: skip
"""Of each section: its title, its reason, and where on the page its effect is seen."""


def other_keys(cal: CalibrationFile, content: dict[str, Any], known: set[str]) -> dict[str, Any]:
    """The values of all keys that have no place of their own on the page: key -> number, choice, yes or no,
    or list of numbers; as written where the file gives it, else its default. What is off has no key."""
    found: dict[str, Any] = {}
    for one in facts_with_keys(cal)["keys"]:
        key, value = one["key"], one["value"]
        if key in known or key in _FIXED or key.split(".")[0] in ("ceilings", "maps"):
            continue
        if one["given"]:
            value = _in(content, key, value)
        listed = isinstance(value, list) and all(_is_number(v) for v in value)
        if listed or isinstance(value, bool) or _is_number(value) or value in CHOICES.get(key, ()):
            found[key] = value
    return found


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _in(content: dict[str, Any], key: str, otherwise: Any) -> Any:
    at: Any = content
    for part in key.split("."):
        if not isinstance(at, dict) or part not in at:
            return otherwise
        at = at[part]
    return at


def as_measured(text: str, keys: list[str]) -> str:
    """The text with the word "guessed" behind some keys replaced by "measured"."""
    section, lines = "", []
    for line in text.splitlines(keepends=True):
        if match := re.match(r"\s*\[([^\[\]]+)\]", line):
            section = match[1].strip()
        key = re.match(r"\s*([\w.-]+)\s*=", line)
        mine = key is not None and f"{section}.{key[1]}" in keys
        lines.append(re.sub(r"#\s*guessed\b[^\r\n]*", "# measured", line, count=1) if mine else line)
    return "".join(lines)
