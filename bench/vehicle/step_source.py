"""A model of the car that drives along while a device is verified: true hardware in the loop."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.link.protocol import ARMED, INPUT, LAUNCH, SPEED_VALID, Records, StepAnswer
from bench.replay.run import UNITS_PER_EVENT
from bench.vehicle.car import Car
from bench.vehicle.run import start
from bench.vehicle.track import Track

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile


class VehicleSource:
    """Inputs from the car, one tick at a time: the next one needs what the device said to the one before (see
    bench.verify.source.StepSource). `records` gives all inputs so far."""

    def __init__(self, car: Car, calibration: CalibrationFile, track: Track) -> None:
        self.longest = int(track.duration * 1e6 / calibration.tick_us) + 1
        self._drive = start(car, calibration, track)
        self.longest += self._drive.lead
        self._units = calibration.number("cylinders") * calibration.tick_us
        self._turned = 0
        self._given: list[Records] = []
        self._waiting = 0
        self._going = True

    @property
    def records(self) -> Records:
        """INPUT records[n] given so far."""
        return np.concatenate(self._given) if self._given else np.zeros(0, INPUT)

    def next(self, most: int) -> Records | None:
        """As StepSource.next says; never more than one tick."""
        if self._waiting:
            return None
        record = np.zeros(1 if self._going else 0, INPUT)
        if self._going:
            read = self._drive.sense()
            for name in ("counts", "speed", "engine", "shaft"):
                record[name] = getattr(read, name)
            record["switches"] = SPEED_VALID | (ARMED if read.armed else 0) | (LAUNCH if read.launch else 0)
            self._turned += read.engine * self._units
            record["events"] = self._turned // UNITS_PER_EVENT
            self._turned %= UNITS_PER_EVENT
            self._given.append(record)
            self._waiting = 1
        return record

    def learn(self, stepped: StepAnswer) -> None:
        """As StepSource.learn says: the car moves under what the device commanded."""
        for output in stepped.outputs[: self._waiting]:
            self._going = self._drive.act(int(output["reduction"]), int(output["retard"]))
        self._waiting = 0
