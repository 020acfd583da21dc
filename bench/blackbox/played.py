"""What the box plays: a run as a voltage, pulses, crank events and switches over the box's own time."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bench.blackbox.ticks import commands
from bench.calibration.image import read_image
from bench.link.protocol import ARMED, INPUT, LAUNCH, Records
from controller import Calibration

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

DAC_MOST = 65535
"""The box's converter: full scale is that of the controller's own converter."""
PULSES_A_METRE = 20
"""Of the wheel whose pulses tell the speed."""
PULSES_A_TURN = 8
"""Of the shaft."""
BEFORE_S = 1.0
"""How long the first row stands before the run, with arming off: filters settle, a sensor heals."""
MOST_AFTER_S = 3.0
"""How long everything is off after it, at most, until nothing is taken any more."""
_QUIET_ROWS = 200  # that stand after it
_UNITS_PER_EVENT = 120_000_000  # rpm * cylinders * microseconds from one crank event to the next
_PULSE_UNITS = 36_000_000 // PULSES_A_METRE  # 0.1 km/h * microseconds from one wheel pulse to the next
_SHAFT_UNITS = 60_000_000 // PULSES_A_TURN  # rpm * microseconds from one shaft pulse to the next


@dataclass(frozen=True)
class Wires:
    """What is on the wires of a run, in whole microseconds of the box: levels from `at` on (of the converter,
    of the switches, of the outside request), pulses of speed and shaft, crank events; it ends at `end`.
    Switches are those of bench.link.protocol."""

    at: Ints
    dac: Ints
    switches: Ints
    request: Records
    speed_pulses: Ints
    shaft_pulses: Ints
    crank: Ints
    end: int


REQUEST = ("request_reduction", "request_retard", "request_reason")


@dataclass(frozen=True)
class Played:
    """A run to be played. `rows`: INPUT records[n], row i from i * `tick_us` on; the first `before` stand
    before the run. Times are whole microseconds of the box. `image` is the controller's calibration.

    Not on the wires, and so not played: the number of a tick, and inputs beyond what they can say.
    """

    rows: Records
    before: int
    image: bytes

    @cached_property
    def calibration(self) -> Calibration:
        """The calibration of the image."""
        return read_image(self.image)

    @property
    def tick_us(self) -> int:
        """How long a row stands."""
        return self.calibration.tick_us

    @property
    def end_us(self) -> int:
        """When it is over."""
        return len(self.rows) * self.tick_us

    @cached_property
    def dac(self) -> Ints:
        """What the converter puts out in each row, 0..DAC_MOST."""
        most = max(1, self.calibration.adc_max)
        counts = np.minimum(self.rows["counts"].astype(np.int64), most)
        return np.asarray((counts * DAC_MOST + most // 2) // most)

    def _pulses(self, rates: Ints, units: int) -> Ints:
        """Times of the pulses of a wheel that turns at these rates, one of a row."""
        gathered = np.concatenate(([0.0], np.cumsum(rates * float(self.tick_us))))
        edges = np.arange(len(gathered)) * float(self.tick_us)
        wanted = np.arange(1, int(gathered[-1] // units) + 1) * float(units)
        return np.asarray(np.interp(wanted, gathered, edges).astype(np.int64))

    @cached_property
    def speed_pulses(self) -> Ints:
        """When the wheel gives a pulse."""
        return self._pulses(self.rows["speed"].astype(np.int64), _PULSE_UNITS)

    @cached_property
    def shaft_pulses(self) -> Ints:
        """When the shaft gives one."""
        return self._pulses(self.rows["shaft"].astype(np.int64), _SHAFT_UNITS)

    @cached_property
    def crank(self) -> Ints:
        """When a cylinder's fuel is due: the crank's events, the first one that of place 0."""
        rates = self.rows["engine"].astype(np.int64) * self.calibration.cylinders
        return self._pulses(rates, _UNITS_PER_EVENT)

    @cached_property
    def place(self) -> Ints:
        """Whose fuel that is: its place in the firing order, from 0."""
        return np.arange(len(self.crank)) % self.calibration.cylinders

    @cached_property
    def cylinder(self) -> Ints:
        """The same as the number of the cylinder."""
        return np.array(self.calibration.firing_order, dtype=np.int64)[self.place]

    @cached_property
    def turning(self) -> Floats:
        """Degrees of crank a microsecond at each event: 720 degrees are a cycle."""
        whole = np.diff(self.crank, append=self.crank[-1:] + 1).astype(np.float64)
        if len(whole) > 1:
            whole[-1] = whole[-2]
        return np.asarray(720.0 / self.calibration.cylinders / np.maximum(whole, 1.0))

    @cached_property
    def wires(self) -> Wires:
        """What the box puts on the wires."""
        return Wires(
            np.arange(len(self.rows)) * self.tick_us, self.dac, self.rows["switches"].astype(np.int64),
            self.rows, self.speed_pulses, self.shaft_pulses, self.crank, self.end_us,
        )  # fmt: skip

    def time_s(self, event: int) -> float:
        """When a crank event comes, in seconds of the run."""
        return float(self.crank[event] - self.before * self.tick_us) / 1e6


def played(records: Records, image: bytes) -> Played:
    """A run, INPUT records[n], with its time before and after. `image` must be one that is accepted."""
    calibration = read_image(image)
    tick_us = calibration.tick_us
    before = int(BEFORE_S * 1e6) // tick_us
    records = _on_wires(records, calibration.adc_max)
    first = np.repeat(records[:1], before)
    first["switches"] &= ~np.uint8(ARMED | LAUNCH)
    first["request_reduction"] = first["request_retard"] = 0
    first["speed"] = 0
    after = np.repeat(records[-1:], int(MOST_AFTER_S * 1e6) // tick_us)
    after["switches"] &= ~np.uint8(ARMED | LAUNCH)
    for name in ("request_reduction", "request_retard", "speed", "shaft"):
        after[name] = 0
    whole = np.concatenate((first, records, after))
    return Played(whole[: _rests(whole, image, before + len(records))], before, image)


def _on_wires(records: Records, adc_max: int) -> Records:
    """What converters, pulses and a message can say of these inputs."""
    said = records.astype(INPUT)
    limits = {
        "counts": adc_max, "speed": 20000, "engine": 32767, "shaft": 32767, "request_reduction": 1000,
        "request_retard": 1000, "request_reason": 255,
    }  # fmt: skip
    for name, most in limits.items():
        said[name] = np.minimum(said[name], most)
    return said


def _rests(whole: Records, image: bytes, end: int) -> int:
    """How many rows it takes until nothing is taken any more."""
    reduction, retard, launched = commands(image, whole)
    busy = np.flatnonzero((reduction > 0) | (retard > 0) | (launched > 0))
    last = int(busy[-1]) if len(busy) else 0
    return min(len(whole), max(end, last) + _QUIET_ROWS)
