"""The ten stories: what was different at the demo car, how it was measured, in which form it is written."""

from __future__ import annotations

from dataclasses import dataclass, replace

from bench.demo.drive import DemoRun, Request, Start, drive, signals
from bench.demo.form import Column, Form, write
from bench.demo.sensing import Sensing, Spikes
from bench.vehicle.run import start

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


def _throttle(*points: tuple[int, int]) -> dict[str, object]:
    """The driver's foot: ms since launch, percent; straight lines between."""
    return {
        "driver.after_ms": [after for after, _ in points],
        "driver.throttle_percent": [percent for _, percent in points],
    }


_EARLY = _throttle((0, 90), (660, 90), (900, 75), (1600, 80), (2200, 100))
_CLEAN = _throttle((0, 78), (300, 78), (660, 100), (1100, 90), (2000, 100))
_HIGH = {
    **_throttle((0, 51), (300, 51), (600, 64), (900, 80), (1300, 66), (1700, 64)),
    "engine.torque_scale_percent": 150,
}
_TWICE = _throttle((0, 80), (500, 80), (900, 60), (1050, 60), (1100, 100))
_LATE = {
    **_throttle((0, 37), (3050, 40), (3150, 95), (3360, 95), (3460, 60)),
    "engine.torque_scale_percent": 200,
    "gearbox.shift_at_rpm": None,
    "gearbox.shift_at_ms": [2950],
}
_FLARE = {
    **_throttle((0, 77), (650, 77), (750, 100), (1000, 100), (1100, 85), (1600, 85), (2000, 100)),
    "converter.stall_torque_nm": 700,
}


@dataclass(frozen=True)
class Run:
    """One demo trace. `story` is its line in the README of the traces; `changes` are the keys of the demo
    car's file that were different in it, and `calibration` drove it."""

    name: str
    story: str
    changes: dict[str, object]
    sensing: Sensing
    form: Form
    calibration: str = "plain.toml"
    requests: tuple[Request, ...] = ()


RUNS = (
    Run(
        "clean_launch",
        "A clean launch: a cut before the nose is high, a short hold, all torque back, a soft landing (with"
        " `demo.toml`).",
        _EARLY,
        Sensing(201),
        Form(_USUAL, units="row"),
        "demo.toml",
    ),
    Run(
        "high_wheelstand",
        "One high, long wheelstand, just inside the sensor's range: the full reduction.",
        _HIGH,
        Sensing(202),
        Form(_IN_MM, line_end="\r\n"),
    ),
    Run(
        "second_lift",
        "The nose lands, the torque is back, the driver asks again: a second lift after the release.",
        _TWICE,
        Sensing(203),
        Form(
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
        _LATE,
        Sensing(204),
        Form(
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
        _CLEAN,
        Sensing(205, lost=((0.35, 0.362), (0.52, 0.535), (0.64, 0.78), (2.4, 99.0))),
        Form(_IN_MS, step_ms=1),
    ),
    Run(
        "spike_train",
        "Ignition noise on the height wire, a wrong sample every few milliseconds: no torque comes back"
        " by it.",
        _CLEAN,
        Sensing(206, spikes=Spikes(0.05, 1.6, 6, 17, 1.6, 0.85)),
        Form(_IN_MS, step_ms=1, units="row"),
    ),
    Run(
        "out_of_range",
        "The nose goes higher than its sensor sees and leans on the wheelie bar: out of sight, still cut.",
        {},
        Sensing(207),
        Form(_USUAL, step_ms=4, quoted=True, above=("channels: 7", "rate: 250 Hz")),
    ),
    Run(
        "front_wheel_speed",
        "The speed is a front wheel's, which slows down in the air and is not believed there (with"
        " `demo_front_wheel.toml`).",
        _HIGH,
        Sensing(208, front_wheels=True),
        Form(_IN_MS, jitter_ms=2, above=("# speed from the left front wheel",)),
        "demo_front_wheel.toml",
    ),
    Run(
        "engine_curve",
        "A loose converter: with the nose up the driver opens the throttle, the engine flares, and the engine"
        " ceiling asks for more than the lift does.",
        _FLARE,
        Sensing(209),
        Form(_IN_MM, step_ms=10, units="row"),
    ),
    Run(
        "outside_request",
        "Another controller asks too: for less than the lift while the nose is up, and alone later.",
        _CLEAN,
        Sensing(210),
        Form(
            (
                *_USUAL,
                Column("Request reduction", "%", "request_reduction", 1.0, 1),
                Column("Request retard", "deg", "request_retard", 1.0, 1),
                Column("Request reason", "", "request_reason"),
            )
        ),
        requests=(Request(0.6, 0.8, 6.0, 0.0, 20), Request(2.3, 2.9, 25.0, 4.0, 20)),
    ),
)


def trace(run: Run) -> bytes:
    """The bytes of one demo trace."""
    return written(run, driven(run))


def driven(run: Run, begin: Start = start) -> DemoRun:
    """How the car was driven. `begin` chooses the model's formulation; the bytes do not depend on it."""
    return drive(run.changes, run.calibration, run.sensing, run.requests, begin)


def written(run: Run, done: DemoRun) -> bytes:
    """The bytes of a run's trace."""
    return write(signals(done), run.form, run.sensing.seed)
