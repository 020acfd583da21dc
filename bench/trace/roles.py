"""The signals that a trace may have, the units in which it keeps them, and what each is called."""

from __future__ import annotations

TIME = "time"
HEIGHT = "height"
SPEED = "speed"
ENGINE_SPEED = "engine_speed"
SHAFT_SPEED = "shaft_speed"
ARMED = "armed"
LAUNCH = "launch"
REQUEST_REDUCTION = "request_reduction"
REQUEST_RETARD = "request_retard"
REQUEST_REASON = "request_reason"
LOGGED_REDUCTION = "logged_reduction"
LOGGED_RETARD = "logged_retard"
LOGGED_REASON = "logged_reason"
LOGGED_DEMAND = "logged_demand"
LOGGED_STATE = "logged_state"
LOGGED_FAULTS = "logged_faults"

SWITCH_ROLES = frozenset({ARMED, LAUNCH})
LOGGED_ROLES = frozenset({
    LOGGED_REDUCTION, LOGGED_RETARD, LOGGED_REASON, LOGGED_DEMAND, LOGGED_STATE, LOGGED_FAULTS,
})  # fmt: skip
WORD_ROLES = frozenset({LOGGED_REASON, LOGGED_STATE})
"""Signals whose cells may be words, which a layout's table (or our own names) turns into numbers."""

HELD_ROLES = SWITCH_ROLES | LOGGED_ROLES | {REQUEST_REDUCTION, REQUEST_RETARD, REQUEST_REASON}

# role -> kind of unit -> the unit in which the trace keeps it; a role without kinds has no unit
ROLE_UNITS: dict[str, dict[str, str]] = {
    TIME: {"time": "s"},
    HEIGHT: {"height-length": "mm", "voltage": "V", "counts": "count"},
    SPEED: {"speed": "km/h"},
    ENGINE_SPEED: {"rotation": "rpm"},
    SHAFT_SPEED: {"rotation": "rpm"},
    ARMED: {"switch": "bool"},
    LAUNCH: {"switch": "bool"},
    REQUEST_REDUCTION: {"fraction": "%"},
    REQUEST_RETARD: {"angle": "deg"},
    REQUEST_REASON: {},
    LOGGED_REDUCTION: {"fraction": "%", "cylinders": "%"},
    LOGGED_RETARD: {"angle": "deg"},
    LOGGED_REASON: {},
    LOGGED_DEMAND: {"fraction": "%"},
    LOGGED_STATE: {},
    LOGGED_FAULTS: {},
}

WHAT = {
    TIME: "time",
    HEIGHT: "height over the track",
    SPEED: "road speed",
    ENGINE_SPEED: "engine speed",
    SHAFT_SPEED: "shaft speed",
    ARMED: "arming switch",
    LAUNCH: "launch switch",
    REQUEST_REDUCTION: "outside request: reduction",
    REQUEST_RETARD: "outside request: retard",
    REQUEST_REASON: "outside request: reason number",
    LOGGED_REDUCTION: "reduction that the car's own controller commanded",
    LOGGED_RETARD: "retard that the car's own controller commanded",
    LOGGED_REASON: "reason that the car's own controller gave",
    LOGGED_DEMAND: "demand of the car's own controller before its hold",
    LOGGED_STATE: "hold state of the car's own controller",
    LOGGED_FAULTS: "faults of a device of this controller, as `record` writes them",
}

# Units that may be assumed (and are then noted), because loggers write no other for this signal.
USUAL_UNITS = {
    TIME: "s",
    ENGINE_SPEED: "rpm",
    SHAFT_SPEED: "rpm",
    ARMED: "bool",
    LAUNCH: "bool",
    REQUEST_RETARD: "deg",
    LOGGED_RETARD: "deg",
}


def name_of(role: str) -> str:
    """A role as people read it."""
    return role.replace("_", " ")


def option_name(role: str) -> str:
    """The option that chooses the column of a role."""
    return f"--{role.replace('_', '-')}-column"


def unit_examples(role: str) -> tuple[str, ...]:
    """Units to name where one is asked for."""
    return {
        TIME: ("s", "ms"),
        HEIGHT: ("mm", "in", "V", "count"),
        SPEED: ("km/h", "mph"),
        REQUEST_REDUCTION: ("%", "permille"),
        LOGGED_REDUCTION: ("%", "1/1", "cylinders"),
        LOGGED_DEMAND: ("%", "1/1"),
    }.get(role, tuple(ROLE_UNITS[role].values()))
