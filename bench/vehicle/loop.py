"""The closed loop in plain Python: the model, its sensors and the reference controller. Slow; needs no
compiler."""

from __future__ import annotations

from math import ceil, cos, floor, pi, sin
from typing import TYPE_CHECKING

import numpy as np

from bench.random import Random
from bench.vehicle.car import Car
from bench.vehicle.equations import (
    ENGINE,
    PITCH,
    PITCH_RATE,
    RISE,
    RISE_RATE,
    SHARE,
    SLIP,
    SPEED,
    TRAVEL,
    TRAVEL_RATE,
    WAY,
    WHEEL,
    Forces,
    Motion,
)
from bench.vehicle.results import ROW, Outcome, score
from bench.vehicle.track import Reading, Track
from controller import Controller
from controller.constants import FRONT_WHEEL_SPEED, ROTATION_LIMIT, SPEED_LIMIT, TICK_NUMBER_MASK

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

LONGEST_STEP_US = 500
TURNED_OVER = 1.2  # rad: nothing brings the nose down again
_WHEEL_ON_GROUND_S, _WHEEL_IN_AIR_S = 0.025, 1.1  # how fast a front wheel takes up and loses its speed
_LAUNCH_QUIET_US = 250_000


class PlainDrive:
    """A car driven tick by tick, in Python: see Drive."""

    def __init__(self, car: Car, calibration: CalibrationFile, track: Track) -> None:
        self.car, self.calibration, self.track = car, calibration, track
        self.motion = Motion(car)
        statics = self.motion.model.statics
        tick_us = calibration.tick_us
        self.tick_s = tick_us * 1e-6
        self.steps = ceil(tick_us / LONGEST_STEP_US)
        self.step_s = self.tick_s / self.steps
        self.sample_ticks = calibration.number("sample_ticks")
        samples = calibration.number("heal_samples") + calibration.number("learn_window") + 10
        self.lead = samples * self.sample_ticks + ceil(_LAUNCH_QUIET_US / tick_us)
        self.tick = 0
        standing = Forces(
            0.0, 0.0, statics.front_load, statics.rear_load, 0.0, 0.0, self.motion.gearbox.ratio(0.0)[0], 0.0
        )
        self.forces = standing
        self.turned_over = False
        self.finished = False
        self._delay_steps = floor(car.delay / self.step_s + 0.5)
        self._delay_ticks = floor(car.sensor_delay / self.tick_s + 0.5)
        self._shares: list[float] = []
        self._heights: list[float] = []
        self._chance = Random(track.seed)
        self._counts = 0
        self.front_wheel = 0.0

    @property
    def time(self) -> float:
        """Seconds since launch; below 0 while the car stands."""
        return (self.tick - self.lead) * self.tick_s

    def height(self) -> float:
        """Metres along the sensor's beam, which tilts with the body, to the road."""
        return (self.clearance() - self._road()) / cos(self.motion.state[PITCH])

    def clearance(self) -> float:
        """Metres from the sensor straight down to the level track."""
        car, y = self.car, self.motion.state
        ahead = car.wheelbase + car.sensor_ahead
        up = car.sensor_height - car.rear_radius + y[RISE]
        return car.rear_radius + ahead * sin(y[PITCH]) + up * cos(y[PITCH])

    def _road(self) -> float:
        road = self.track.road
        if road is None:
            return 0.0
        place = (self.motion.state[WAY] + self.car.wheelbase + self.car.sensor_ahead) / road.step
        i = max(0, min(floor(place), len(road.heights) - 2))
        low, high = float(road.heights[i]), float(road.heights[i + 1])
        return low + (high - low) * (place - i)

    def sense(self) -> Reading:
        """As Drive.sense says."""
        car, y = self.car, self.motion.state
        self._heights.append(self.height())
        if self.tick % self.sample_ticks == 0:
            self._counts = self._read()
        on_ground = self.motion.model.front_load(y) > 0
        follow = self.tick_s / (_WHEEL_ON_GROUND_S if on_ground else _WHEEL_IN_AIR_S)
        self.front_wheel += ((y[SPEED] if on_ground else 0.0) - self.front_wheel) * min(follow, 1.0)
        of_wheel = self.calibration.number("speed_source") == FRONT_WHEEL_SPEED
        turn = y[WHEEL] + y[PITCH_RATE] + self.motion.model.statics.jacking * y[RISE_RATE]
        return Reading(
            self.tick & TICK_NUMBER_MASK,
            self._counts,
            _whole(36.0 * (self.front_wheel if of_wheel else y[SPEED]), SPEED_LIMIT),
            _whole(y[ENGINE] * 30 / pi, ROTATION_LIMIT),
            _whole(turn * car.final_drive * 30 / pi, ROTATION_LIMIT),
            1,
            int(self.tick >= self.lead),
        )

    def _read(self) -> int:
        adc_max = self.calibration.number("adc_max")
        seen = self._heights[max(0, self.tick - self._delay_ticks)] + self.track.noise * self._chance.normal()
        if seen > self.car.sensor_farthest:
            return adc_max if self.car.beyond_high else 0
        return _whole(float(self.calibration.height_to_counts(seen * 1000)), adc_max)

    def act(self, reduction: int, retard: int) -> bool:
        """As Drive.act says."""
        if self.tick < self.lead:
            self.tick += 1
            return True
        car, since = self.car, self.tick - self.lead
        spark = max(0.0, 1 - car.retard_loss * (retard / 10) ** 2)
        self._shares.append((1 - reduction / 1000) * spark)
        for i in range(self.steps):
            from_step = since * self.steps + i - self._delay_steps
            share = self._shares[from_step // self.steps] if from_step >= 0 else 1.0
            time = since * self.tick_s + i * self.step_s
            forces = self.motion.step(time, self.step_s, share, self.track.midpoint)
            if i == 0:
                self.forces = forces
        self.tick += 1
        y = self.motion.state
        self.turned_over = not abs(y[PITCH]) < TURNED_OVER
        self.finished = not self.turned_over and y[WAY] >= (
            car.rollout + self.track.distance + car.wheelbase + 1.0
        )
        return not (self.turned_over or self.finished or self.time >= self.track.duration - 1e-9)

    def row(self) -> dict[str, float]:
        """As Drive.row says."""
        car, y, model = self.car, self.motion.state, self.motion.model
        s, c = sin(y[PITCH]), cos(y[PITCH])
        body = model.statics.front_up + y[RISE]
        return {
            "time": self.time,
            "way": y[WAY],
            "velocity": y[SPEED],
            "lift": car.wheelbase * s + body * c - model.statics.front_up,
            "lift_rate": (car.wheelbase * c - body * s) * y[PITCH_RATE] + c * y[RISE_RATE],
            "pitch": y[PITCH],
            "pitch_rate": y[PITCH_RATE],
            "travel": y[TRAVEL],
            "travel_rate": y[TRAVEL_RATE],
            "gap": model.front_wheel(y).height - model.statics.free_radius,
            "wheel_speed": y[WHEEL],
            "slip": y[SLIP],
            "engine_speed": y[ENGINE],
            "share": y[SHARE],
            "rear_rise": y[RISE],
            "height": self.height(),
            "clearance": self.clearance(),
            "front_wheel": self.front_wheel,
        }


def run(car: Car, calibration: CalibrationFile, track: Track, controlled: bool) -> Outcome:
    """One run, with the reference controller or with the engine at full command all the way."""
    drive = PlainDrive(car, calibration, track)
    controller = Controller()
    controller.load(calibration.image)
    rows: list[list[float]] = []
    going = True
    while going:
        read = drive.sense()
        row = drive.row()
        said = dict.fromkeys(("reduction", "retard", "reason", "faults", "demand", "lift_seen"), 0.0)
        if controlled:
            seen = (read.tick, read.counts, read.speed, 1, read.engine, read.shaft)
            controller.step(*seen, read.armed, read.launch, 0, 0, 0)
            command = controller.command
            said = {
                "reduction": command.reduction,
                "retard": command.retard,
                "reason": command.reason,
                "faults": controller.faults,
                "demand": controller.reduction.demand,
                "lift_seen": controller.lift.value / 16000,
            }
        going = drive.act(int(said["reduction"]), int(said["retard"]))
        row |= said
        row |= {name: float(getattr(read, name)) for name in ("counts", "speed", "engine", "shaft", "launch")}
        row |= {name: getattr(drive.forces, name) for name in _OF_FORCES}
        rows.append([row[name] for name in ROW])
    table = np.array(rows, dtype=np.float64)
    columns = {name: table[:, i] for i, name in enumerate(ROW)}
    scores = score(columns, car, calibration, drive.turned_over, drive.finished)
    return Outcome("the plain Python model", drive.tick_s, columns, scores)


_OF_FORCES = ("acceleration", "front_load", "rear_load", "thrust", "bar_load", "gear_ratio", "torque")


def _whole(value: float, most: int) -> int:
    return max(0, min(most, floor(value + 0.5)))
