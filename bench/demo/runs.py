"""The ten stories: how each car was driven, how it was measured, how its logger writes."""

from __future__ import annotations

from dataclasses import dataclass, replace

from bench.demo.logger import Column, Logger, Signals, write
from bench.demo.motion import Drive, Motion, Points, move
from bench.demo.sensing import Sensing, Spikes, measure

_CAR = "Pellowkin"
_STRIP = "Oskwithy Eighth"

_TIME = Column("Time", "s", "time_s", 1.0, 3)
_TIME_MS = Column("Time", "ms", "time_s", 1000.0)
_VOLTS = Column("Nose height", "V", "volts", 1.0, 3)
_MM = Column("Ride height", "mm", "height_mm", 1.0, 1)
_SPEED = Column("Speed", "km/h", "speed_kmh", 1.0, 1)
_ENGINE = Column("Engine speed", "rpm", "engine_rpm")
_SHAFT = Column("Shaft speed", "rpm", "shaft_rpm")
_ARMED = Column("Armed", "", "armed", switch=("0", "1"))
_LAUNCH = Column("Launch", "", "launch", switch=("0", "1"))

_USUAL = (_TIME, _VOLTS, _SPEED, _ENGINE, _SHAFT, _ARMED, _LAUNCH)
_IN_MM = (_TIME, _MM, _SPEED, _ENGINE, _SHAFT, _ARMED, _LAUNCH)
_IN_MS = (_TIME_MS, _VOLTS, _SPEED, _ENGINE, _SHAFT, _ARMED, _LAUNCH)

# Second gear to the finish: the thrust falls as the speed rises.
_DOWN_TRACK: Points = ((1.9, 13.2), (3.0, 8.8), (5.2, 5.4))
_CLEAN: Points = ((0.0, 26.0), (0.3, 24.8), (0.5, 21.2), (0.9, 20.0), (1.2, 17.0), (1.75, 14.4), *_DOWN_TRACK)
_HIGH: Points = (
    *((0.0, 25.6), (0.3, 24.75), (0.45, 21.9), (0.9, 23.2), (1.2, 21.4), (1.5, 16.5), (1.7, 14.8)),
    *_DOWN_TRACK,
)
_TWICE: Points = (
    *((0.0, 26.0), (0.35, 24.2), (0.55, 18.5), (0.8, 17.0), (1.4, 16.2), (1.5, 29.0), (1.7, 28.0)),
    *((1.95, 13.5), (3.0, 8.8), (5.2, 5.4)),
)
_LATE: Points = (
    *((0.0, 20.5), (0.8, 17.0), (1.6, 13.5), (3.0, 9.0), (3.14, 9.0), (3.2, 29.3), (3.4, 27.6), (3.62, 9.0)),
    (5.2, 5.5),
)
_BEYOND: Points = ((0.0, 27.2), (0.65, 26.0), (1.3, 20.0), (1.75, 15.0), *_DOWN_TRACK)
_SPINNING: Points = (
    *((0.0, 25.6), (0.35, 24.2), (0.6, 21.0), (0.68, 13.0), (1.05, 13.5), (1.2, 17.5), (1.85, 14.4)),
    *((2.0, 13.2), (3.1, 8.8), (5.4, 5.4)),
)
_SPIN: Points = ((0.0, 0.14), (0.6, 0.1), (0.78, 1.93), (0.9, 1.83), (1.1, 0.25), (1.3, 0.07), (2.0, 0.03))


@dataclass(frozen=True)
class Request:
    """An outside request from `start_s` to `end_s` since launch: percent, degrees, who asks."""

    start_s: float
    end_s: float
    reduction: float
    retard: float
    reason: int


@dataclass(frozen=True)
class Run:
    """One demo trace. `story` is its line in the README of the traces."""

    name: str
    story: str
    drive: Drive
    sensing: Sensing
    logger: Logger
    requests: tuple[Request, ...] = ()


RUNS = (
    Run(
        "clean_launch",
        "A clean launch: one lift that cuts, holds, gives back and lands.",
        Drive(101, _CLEAN),
        Sensing(201),
        Logger(_USUAL, units="row"),
    ),
    Run(
        "high_wheelstand",
        "One high, long wheelstand, just inside the sensor's range: the full reduction.",
        Drive(102, _HIGH, shift_s=1.7),
        Sensing(202),
        Logger(_IN_MM, line_end="\r\n"),
    ),
    Run(
        "second_lift",
        "The nose lands, the torque is back, the driver asks again: a second lift after the release.",
        Drive(103, _TWICE, shift_s=2.1),
        Sensing(203),
        Logger(
            _USUAL,
            delimiter=";",
            decimal=",",
            above=(f"# {_CAR}, {_STRIP}, left lane", "# run 3 of the day; dry; 24 °C"),
            mark=True,
        ),
    ),
    Run(
        "late_lift",
        "A lazy launch with no cut; after the gear change, at 160 km/h, all the power comes in at once.",
        Drive(104, _LATE, shift_s=3.05),
        Sensing(204),
        Logger(
            (
                _TIME_MS,
                Column("Front ride height", "in", "height_mm", 1 / 25.4, 2),
                Column("Speed", "mph", "speed_kmh", 1 / 1.609344, 1),
                *(_ENGINE, _SHAFT),
                replace(_ARMED, switch=("off", "on")),
                replace(_LAUNCH, switch=("off", "on")),
            ),
            delimiter="\t",
            changes=True,
        ),
    ),
    Run(
        "sensor_dropouts",
        "The height signal drops out: twice too short to matter, once for long while torque is taken (what is"
        " taken stays taken), and from 2.4 s on for good.",
        Drive(105, _CLEAN),
        Sensing(205, lost=((0.35, 0.362), (0.52, 0.535), (0.74, 0.94), (2.4, 99.0))),
        Logger(_IN_MS, step_ms=1),
    ),
    Run(
        "spike_train",
        "Ignition noise on the height wire, a wrong sample every few milliseconds: no torque comes back"
        " by it.",
        Drive(106, _CLEAN),
        Sensing(206, spikes=Spikes(0.05, 1.6, 6, 17, 1.6, 0.85)),
        Logger(_IN_MS, step_ms=1, units="row"),
    ),
    Run(
        "out_of_range",
        "The nose goes higher than its sensor sees and leans on the wheelie bar: out of sight, still cut.",
        Drive(107, _BEYOND, shift_s=1.65),
        Sensing(207),
        Logger(_USUAL, step_ms=4, quoted=True, above=("channels: 7", "rate: 250 Hz")),
    ),
    Run(
        "front_wheel_speed",
        "The speed is a front wheel's, which slows down in the air and is not believed there (with"
        " `demo_front_wheel.toml`).",
        Drive(108, _HIGH, shift_s=1.7),
        Sensing(208, front_wheels=True),
        Logger(_IN_MS, jitter_ms=2, above=("# speed from the left front wheel",)),
    ),
    Run(
        "engine_curve",
        "With the nose up the tyres break loose, and the engine curve asks for more than the lift does.",
        Drive(109, _SPINNING, slip=_SPIN, shift_s=1.85),
        Sensing(209),
        Logger(_IN_MM, step_ms=10, units="row"),
    ),
    Run(
        "outside_request",
        "Another controller asks too: for less than the lift while the nose is up, and alone later.",
        Drive(110, _CLEAN),
        Sensing(210),
        Logger(
            (
                *_USUAL,
                Column("Request reduction", "%", "request_reduction", 1.0, 1),
                Column("Request retard", "deg", "request_retard", 1.0, 1),
                Column("Request reason", "", "request_reason"),
            )
        ),
        (Request(0.6, 0.8, 6.0, 0.0, 20), Request(2.3, 2.9, 25.0, 4.0, 20)),
    ),
)


def traces() -> dict[str, bytes]:
    """The bytes of every demo trace by file name."""
    return {f"{run.name}.csv": trace(run) for run in RUNS}


def trace(run: Run) -> bytes:
    """The bytes of one demo trace."""
    return write(signals(run)[1], run.logger, run.sensing.seed)


def signals(run: Run) -> tuple[Motion, Signals]:
    """How the car moved, and what was measured of it each millisecond."""
    motion = move(run.drive)
    measured = measure(motion, run.sensing)
    for name in ("reduction", "retard", "reason"):
        measured[f"request_{name}"] = _asked(motion, run.requests, name)
    return motion, measured


def _asked(motion: Motion, requests: tuple[Request, ...], name: str) -> list[float]:
    asked = [0.0] * len(motion.time_s)
    for request in requests:
        for i, time in enumerate(motion.time_s):
            if request.start_s <= time - motion.launch_s < request.end_s:
                asked[i] = float(getattr(request, name))
    return asked
