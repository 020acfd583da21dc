"""Driving the demo car: the model of bench.vehicle in closed loop with the controller, through sensors that
may fail, from staging until behind the finish."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from bench.calibration import CalibrationFile
from bench.calibration import load as load_calibration
from bench.calibration.rewrite import Rewriter
from bench.demo.form import Signals
from bench.demo.sensing import MM_A_VOLT, Moment, Read, Sensing, Sensors
from bench.vehicle.car import Car, VehicleFile
from bench.vehicle.run import start
from bench.vehicle.track import Drive, Track
from bench.vehicle.vehicle_file import load as load_vehicle
from bench.vehicle.vehicle_file import read as read_vehicle
from controller import Controller
from controller.constants import TICK_NUMBER_MASK

STEP_S = 0.001
EIGHTH_MILE_M = 201.168
TRACES = Path(__file__).parents[2] / "traces"

LAUNCH_S = 1.2  # since the start of the recording
_ARMED_S = 0.2
_DISARM_S, _AFTER_S = 0.4, 0.7  # since the finish, where the driver closes the throttle
_IDLE_RPM, _STAGED_S, _RISE_S = 2300.0, 0.75, 0.5  # so long before the launch the engine speeds up
_PI = 3.141592653589793


@dataclass(frozen=True)
class Request:
    """An outside request from `start_s` to `end_s` since launch: percent, degrees, who asks."""

    start_s: float
    end_s: float
    reduction: float
    retard: float
    reason: int


_NOTHING = Request(0.0, 0.0, 0.0, 0.0, 0)


@dataclass
class DemoRun:
    """One run, each STEP_S from the start of the recording. `way_m` and `lift_mm` are the car's own,
    `commanded` the controller's reduction (0.1 %) and retard (0.1 degree) that the car followed."""

    finish_s: float = 0.0
    moments: list[Moment] = field(default_factory=list)
    reads: list[Read] = field(default_factory=list)
    asked: list[Request] = field(default_factory=list)
    way_m: list[float] = field(default_factory=list)
    lift_mm: list[float] = field(default_factory=list)
    commanded: list[tuple[int, int]] = field(default_factory=list)


Start = Callable[[Car, CalibrationFile, Track], Drive]


def car_with(changes: Mapping[str, object]) -> VehicleFile:
    """The demo car with some keys of its file set."""
    plain = load_vehicle(TRACES / "demo_car.toml")
    return read_vehicle(Rewriter(plain.text).set(changes), plain.path) if changes else plain


def drive(
    changes: Mapping[str, object],
    calibration: str,
    sensing: Sensing,
    requests: Sequence[Request],
    begin: Start = start,
) -> DemoRun:
    """Drive the demo car, changed, with a demo calibration over the eighth mile. `begin` chooses the model's
    formulation; the bytes of a trace do not depend on it."""
    made = load_calibration(TRACES / calibration)
    assert made.tick_us == round(STEP_S * 1e6)
    car = begin(car_with(changes).car, made, Track())
    for _ in range(car.lead):
        car.sense()
        car.act(0, 0)
    controller, sensors, done = Controller(), Sensors(sensing), DemoRun()
    verdict = controller.load(made.image)
    assert verdict == 0
    tick, end = 0, 1 << 30
    while tick < end:
        since = tick * STEP_S - LAUNCH_S
        moment, row = _moment(car, since), car.row()
        if row["way"] >= EIGHTH_MILE_M and not done.finish_s:
            done.finish_s = since
            end = tick + round(_AFTER_S / STEP_S)
        read = sensors.read(moment)
        asked = next((r for r in requests if r.start_s <= since < r.end_s), _NOTHING)
        controller.step(
            tick & TICK_NUMBER_MASK,
            int(float(made.volts_to_counts(read.volts)) + 0.5),
            int(read.speed_kmh * 10 + 0.5),
            1,
            int(read.engine_rpm),
            int(read.shaft_rpm),
            int(armed(done, since)),
            int(since >= 0),
            round(asked.reduction * 10),
            round(asked.retard * 10),
            asked.reason,
        )
        command = controller.command
        done.moments.append(moment)
        done.reads.append(read)
        done.asked.append(asked)
        done.way_m.append(row["way"])
        done.lift_mm.append(row["lift"] * 1000)
        done.commanded.append((command.reduction, command.retard))
        if since >= 0:
            # No torque commanded is a closed throttle: the engine's friction is left.
            car.act(*((1000, 0) if done.finish_s else done.commanded[-1]))
        tick += 1
    return done


def armed(done: DemoRun, since: float) -> bool:
    """The arming switch: on while staging, off behind the finish."""
    return since >= _ARMED_S - LAUNCH_S and not (done.finish_s and since >= done.finish_s + _DISARM_S)


def _moment(car: Drive, since: float) -> Moment:
    shaft = car.sense().shaft if since >= 0 else 0
    row = car.row()
    engine = row["engine_speed"] * 30 / _PI
    if since < 0:
        engine = _IDLE_RPM + (engine - _IDLE_RPM) * min(max(0.0, (since + _STAGED_S) / _RISE_S), 1.0)
    return Moment(
        since, row["height"] * 1000, row["velocity"] * 3.6, row["front_wheel"] * 3.6, engine, float(shaft)
    )


def signals(done: DemoRun) -> Signals:
    """What was measured, one value each STEP_S, by the names that a Column may write."""
    return {
        "time_s": [(i * STEP_S) for i in range(len(done.reads))],
        "volts": [read.volts for read in done.reads],
        "height_mm": [read.volts * MM_A_VOLT for read in done.reads],
        "speed_kmh": [read.speed_kmh for read in done.reads],
        "engine_rpm": [read.engine_rpm for read in done.reads],
        "shaft_rpm": [read.shaft_rpm for read in done.reads],
        "armed": [float(armed(done, moment.since_s)) for moment in done.moments],
        "launch": [float(moment.since_s >= 0) for moment in done.moments],
        "request_reduction": [asked.reduction for asked in done.asked],
        "request_retard": [asked.retard for asked in done.asked],
        "request_reason": [float(asked.reason) for asked in done.asked],
    }
