"""Which signal a column's name speaks of: trade words only, no maker's own.

A name is cut into words ("FrontRideHeight_mm" is front, ride, height). Each signal has rules, the best first:
words that must all be there; and words that say that it is another signal after all. The points of a rule
only order the candidates of one signal.
"""

from __future__ import annotations

import re
from functools import lru_cache

from bench.trace.roles import (
    ARMED,
    ENGINE_SPEED,
    HEIGHT,
    LAUNCH,
    LOGGED_DEMAND,
    LOGGED_FAULTS,
    LOGGED_REASON,
    LOGGED_REDUCTION,
    LOGGED_RETARD,
    LOGGED_STATE,
    REQUEST_REASON,
    REQUEST_REDUCTION,
    REQUEST_RETARD,
    SHAFT_SPEED,
    SPEED,
    TIME,
)
from bench.units import ROTATION, kind_of, parse_unit

EXACT = 100
"""Points of a name that is the signal's own. Two columns with as many points are asked about."""

# Names that are the signal itself.
_EXACT: dict[str, tuple[str, ...]] = {
    TIME: ("time", "t", "elapsed", "elapsed time", "timestamp", "time stamp", "sec", "seconds", "ms"),
    HEIGHT: (
        "height", "ride height", "front ride height", "nose height", "front height", "height sensor",
    ),
    SPEED: ("speed", "vehicle speed", "road speed", "car speed", "ground speed"),
    ENGINE_SPEED: ("engine speed", "engine", "rpm"),
    SHAFT_SPEED: (
        "shaft speed", "driveshaft speed", "drive shaft speed", "shaft", "driveshaft", "drive shaft",
    ),
    ARMED: ("armed", "arm", "arming"),
    LAUNCH: ("launch", "launched", "launch switch"),
    REQUEST_REDUCTION: ("request reduction", "requested reduction"),
    REQUEST_RETARD: ("request retard", "requested retard"),
    REQUEST_REASON: ("request reason", "requested reason"),
}  # fmt: skip

# Written as one word or two, or shortened: one word here.
_JOINED = (
    (
        r"\b(drive|prop|tail|propeller) ?shaft\b|\bd ?s\b|\bdrv ?shaft\b|\bd ?shaft\b|\bcardan\b|\bprop\b",
        "driveshaft",
    ),
    (r"\btrans(mission)? ?brake\b|\bt ?brake\b", "transbrake"),
    (r"\b(two|2) ?step\b", "twostep"),
    (r"\bvelocity\b|\bvel\b|\bspd\b|\bgeschwindigkeit\b", "speed"),
    (r"\bground ?speed\b|\bgspeed\b", "ground speed"),
    (r"\beng\b|\bmotor\b|\bmot\b", "engine"),
    (r"\bmotor ?drehzahl\b", "engine rpm"),
    (r"\bdrehzahl\b|\brevs\b|\btacho?(meter)?\b", "rpm"),
    (r"\bkrpm\b|\bk rpm\b|\brpm (x )?1000\b", "rpm"),
    (r"\bfrt\b|\bfront end\b", "front"),
    (r"\b(fl|lf)\b", "front left"),
    (r"\b(fr|rf)\b", "front right"),
    (r"\b(rl|lr|rr)\b", "rear"),
    (r"\bht\b|\bhgt\b|\bhöhe\b|\bhoehe\b|\bheigth\b", "height"),
    (r"\brh\b", "ride height"),
    (r"\bfrh\b", "front ride height"),
    (r"\brrh\b", "rear ride height"),
    (r"\brange ?finder\b|\blidar\b|\bradar height\b|\bultra ?(sonic|sound)\b|\bsonar\b|\btof\b", "laser"),
    (r"\bzeit\b", "time"),
    (r"\bzeit ?stempel\b", "timestamp"),
    (r"\btime ?stamp\b", "timestamp"),
    (r"\bcyls?\b|\bcylinders?\b|\bzyl\b", "cylinders"),
    (r"\bmph\b|\bkmh\b|\bkph\b|\bkm h\b", "mph"),
    (r"\bveh\b", "vehicle"),
    (r"\bsw\b", "switch"),
    (r"\bred\b", "reduction"),
)

_NOT_MEASURED = (
    "target aim limit limiter max maximum min minimum peak setpoint desired status ok valid quality fault"
    " error temp"
    " temperature alarm reference ref rate accel acceleration avg average trim table slip ratio delta warning"
)
_ROTATING = (
    "input turbo fan converter turbine clutch launch shift pump starter alternator blower supercharger"
    " twostep dot"
    " cut count load oil torque hours water lockup idle"
)

# signal -> ((points, words that must all be there), ...), words that rule it out
_RULES: dict[str, tuple[tuple[tuple[int, str], ...], str]] = {
    TIME: (
        (
            (90, "epoch"), (90, "timestamp"), (90, "log time"), (90, "session time"), (90, "unix time"),
            (90, "utc time"), (88, "elapsed"), (85, "time day"), (85, "datetime"), (85, "date time"),
            (84, "clock"), (84, "utc"), (80, "rel time"), (70, "time"),
        ),
        "lap dwell injector injection spark ignition burn coil reaction et delay hold shift open pulse"
        " response"
        " since launch cycle delta tick cut ramp fuel sector best left to over on off zone",
    ),
    HEIGHT: (
        (
            (95, "front ride height"), (92, "nose height"), (92, "front height"), (91, "laser height"),
            (90, "front laser"), (90, "nose laser"), (90, "height sensor"), (88, "ride height"),
            (86, "chassis height"), (86, "wheel height"), (80, "height"), (78, "laser distance"),
            (78, "laser range"), (78, "laser sensor"), (78, "front distance"), (78, "nose distance"),
            (76, "ground distance"), (76, "ground clearance"), (74, "front clearance"), (70, "laser"),
            (68, "nose lift"), (68, "front lift"), (66, "wheel lift"), (60, "nose"), (60, "front h"),
            (50, "clearance"),
            (45, "distance sensor"), (40, "lift"),
        ),
        "rear rr rl back gps altitude barometric valve cam fuel tank oil jack bump speed shock damper"
        " travel pressure"
        " axle2 switch reduction cut retard time flag wing rpm g accelerometer",
    ),
    SPEED: (
        (
            (96, "vehicle speed"), (95, "road speed"), (95, "car speed"), (95, "ground speed"),
            (92, "speed ground"), (85, "chassis speed"), (80, "gps speed"), (80, "gps mph"),
            (78, "radar speed"), (62, "gps v"), (62, "vehicle v"),
            (70, "front wheel speed"), (70, "front speed"), (70, "front wheel mph"),
            (60, "driveshaft speed"), (60, "driveshaft mph"), (55, "output shaft speed"),
            (50, "rear wheel speed"), (50, "wheel speed"), (48, "vss"), (45, "speed"), (84, "mph"),
        ),
        "engine crank wind air vertical angular yaw pit cylinders injector gear height laser nose cam"
        " spark lambda"
        " launch twostep fan turbo pump input converter turbine clutch blower idle cut",
    ),
    ENGINE_SPEED: (
        ((95, "engine rpm"), (95, "engine speed"), (92, "crank rpm"), (92, "crank speed"), (90, "rpm"),
         (80, "engine n")),
        "driveshaft shaft output tail wheel gearbox trans transmission cam " + _ROTATING,
    ),
    SHAFT_SPEED: (
        (
            (95, "driveshaft speed"), (95, "driveshaft rpm"), (92, "output shaft speed"),
            (92, "output shaft rpm"), (90, "driveshaft"), (85, "output rpm"), (84, "shaft rpm"),
            (70, "shaft n"),
        ),
        "torque mph " + _ROTATING,
    ),
    ARMED: (
        (
            (90, "arm switch"), (90, "armed switch"), (90, "arming switch"), (85, "armed"), (85, "arming"),
            (80, "arm enable"), (70, "system enable"), (70, "controller enable"), (70, "wheelie enable"),
        ),
        "rocker control swing radius disarm disarmed",
    ),
    LAUNCH: (
        (
            (90, "launch switch"), (90, "launch input"), (88, "launch signal"), (88, "launch flag"),
            (86, "launch active"), (86, "launch state"), (86, "launch event"), (85, "launched"),
            (80, "launch start"), (80, "run start"), (70, "launch"),
        ),
        "rpm control count time timer button arm armed ready enable speed boost timing retard angle"
        " torque ramp"
        " twostep mode level percent",
    ),
    REQUEST_REDUCTION: (((90, "request reduction"), (90, "requested reduction")), ""),
    REQUEST_RETARD: (((90, "request retard"), (90, "requested retard")), ""),
    REQUEST_REASON: (((90, "request reason"), (90, "requested reason")), ""),
    LOGGED_REDUCTION: (
        (
            (95, "device reduction"), (94, "torque reduction"), (92, "power reduction"), (90, "reduction"),
            (88, "cylinders cut"), (88, "cylinders off"), (88, "cylinders skipped"), (86, "torque cut"),
            (86, "ignition cut"), (84, "spark cut"), (82, "fuel cut"), (80, "cut"),
        ),
        "request requested outside rev reason cause rpm demand flag active time retard live lock clutch"
        " fault",
    ),
    LOGGED_RETARD: (
        (
            (95, "device retard"), (92, "timing retard"), (92, "spark retard"), (92, "ignition retard"),
            (90, "retard"), (85, "timing pulled"), (85, "timing removed"),
        ),
        "request requested outside knock cause reason demand",
    ),
    LOGGED_REASON: (
        (
            (95, "device reason"), (92, "cut reason"), (92, "reduction reason"), (90, "reason"),
            (85, "cut cause"), (80, "cause"),
        ),
        "request requested outside reset shutdown",
    ),
    LOGGED_DEMAND: (
        ((92, "reduction demand"), (92, "cut demand"), (90, "live demand"), (85, "demand")),
        "request throttle pedal driver fuel boost engine torque",
    ),
    LOGGED_FAULTS: (((95, "device faults"),), ""),
    LOGGED_STATE: (
        (
            (90, "hold state"), (90, "latch state"), (88, "controller state"), (86, "hold active"),
            (84, "latch"),
            (80, "hold"),
        ),
        "request clutch brake boost",
    ),
}  # fmt: skip

_BOUND = {
    role: (
        tuple((points, frozenset(words.split())) for points, words in rules),
        frozenset(f"{never} {_NOT_MEASURED}".split())
        - {word for _, words in rules for word in words.split()},
    )
    for role, (rules, never) in _RULES.items()
}

# Its wheel slips: of two speeds the other is the car's.
_LESS_OF_A_SPEED = {"driveshaft": 60, "output": 55, "rear": 50}
_SIDES = frozenset({"left", "right", "l", "r"})

# A switch that is on while the car stands, and lets it go when it is let go.
_HOLDING = re.compile(r"\b(transbrake|twostep|clutch switch|launch button|staging brake)\b")


def plain(name: str) -> str:
    """A name without case, marks and doubled blanks."""
    for mark in "_-.":
        name = name.replace(mark, " ")
    return " ".join(name.casefold().split())


@lru_cache(1 << 15)
def words(name: str) -> tuple[str, ...]:
    """The words of a name, small, with what is written in several ways written in one."""
    name = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", name[:200])
    text = " ".join(re.sub(r"[^\w]|_", " ", name.casefold()).split())
    text = re.sub(r"\b([^\W\d]+)(\d+)\b", r"\1 \2", text)
    for pattern, word in _JOINED:
        text = re.sub(pattern, word, text)
    return tuple(text.split())


def points(role: str, name: str) -> int:
    """How well a name fits a signal: EXACT where it is its own, 0 where it does not fit."""
    if plain(name) in _EXACT.get(role, ()):
        return EXACT
    have = words(name)
    rules, never = _BOUND[role]
    if not have or not never.isdisjoint(have):
        return 0
    best = max((score for score, need in rules if need.issubset(have)), default=0)
    if role == SPEED:
        best = min([best, *(most for word, most in _LESS_OF_A_SPEED.items() if word in have)])
    # Of a middle one and one of a side, the middle one.
    return best - 4 * (not _SIDES.isdisjoint(have)) if best else 0


def ruled_out_by(role: str, name: str) -> str:
    """The word of a name that would fit a signal which says that it is another one; "" where there is
    none."""
    have = words(name)
    rules, never = _BOUND[role]
    fits = any(need.issubset(have) for _, need in rules)
    return next((word for word in have if word in never), "") if fits else ""


def but_for_the_side(name: str) -> tuple[str, ...]:
    """The words of a name without left and right."""
    return tuple(word for word in words(name) if word not in _SIDES)


def holds_back(name: str) -> bool:
    """True for a switch that holds the car while it is on, such as a trans-brake: released, it launches."""
    return bool(_HOLDING.search(" ".join(words(name))))


def is_role_word(text: str) -> bool:
    """True for a header cell that is the name of a signal."""
    name = plain(split_name(text)[0])
    return any(name in names for names in _EXACT.values())


_OWN_UNITS = ("rpm", "krpm", "s", "ms", "mph", "km/h")
_SCALED = re.compile(r"(.*?)\s*[\[(]?\s*rpm\s*[\])]?\s*[\[(]?\s*[x*/×]\s*1000[\])]?\s*", re.IGNORECASE)
_SLASHED = re.compile(r"(.*\w)[\s,:_/.-]+(km/hr?|mi/hr?|[fm]t?/s|1/min|rev/min)", re.IGNORECASE)
_WITHIN = {
    "mph": "mph", "kmh": "km/h", "kph": "km/h", "rpm": "rpm", "krpm": "krpm", "mm": "mm", "inches": "in",
    "volts": "V", "ms": "ms",
}  # fmt: skip


def split_name(text: str) -> tuple[str, str | None]:
    """A header cell as (name, unit text or None): "Height [mm]", "Height_mm", "t/s", "speed km/h", "RPM
    x1000".

    A bracket at the end always is a unit; a last word only where it is a unit we know, and a word within the
    name only where it can be nothing else.
    """
    text = text.strip()
    scaled = _SCALED.fullmatch(text)
    if scaled:
        return scaled[1] or "rpm", "krpm"
    slashed = _SLASHED.fullmatch(text)
    if slashed:
        return slashed[1], slashed[2]
    for opening, closing in ("[]", "()", "{}"):
        if text.endswith(closing) and opening in text[1:]:
            start = text.rindex(opening)
            if start > 0:
                return text[:start].strip(" _,"), text[start + 1 : -1].strip()
    for mark in (",", ":", " ", "_", "/", "-", "."):
        name, found, last = text.rpartition(mark)
        if found and name.strip(" _,:/-.") and parse_unit(last) is not None:
            return name.strip(" _,:/-."), last.strip()
    if parse_unit(text) in _OWN_UNITS:
        return text, text  # a column called "rpm" or "seconds" is its own unit
    return text, _unit_within(text)


def _unit_within(text: str) -> str | None:
    parts = re.split(r"[^\w]+|_|(?<=[a-z0-9])(?=[A-Z])", text)
    found = {_WITHIN[part.casefold()] for part in parts if part.casefold() in _WITHIN}
    return found.pop() if len(found) == 1 and len(parts) > 1 else None


def source_of(name: str, unit: str) -> str:
    """What a speed is, from its column's name and unit: "road", "gps", "front wheel", "drive shaft" or
    "wheel"."""
    have = set(words(name))
    if "gps" in have:
        return "gps"
    if "front" in have:
        return "front wheel"
    if not have.isdisjoint(("driveshaft", "output", "shaft")) or (unit and kind_of(unit) == ROTATION):
        return "drive shaft"
    return "wheel" if "wheel" in have else "road"
