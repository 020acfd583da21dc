"""The compiled car from Python: single runs, tick by tick, and batches over all cores.

`available()` says whether it is there; nothing here falls back to the plain model (bench.vehicle.run does).
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.vehicle.c_sources import source_digest
from bench.vehicle.car import Car
from bench.vehicle.results import AT_MARKS, MARKS_FT, ROW, SCORES, Floats, Outcome, cut_starts
from bench.vehicle.track import VIEW, Reading, Track
from firmware_model.shared import load

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile


_vehicle: Any = load("bench.vehicle", "_vehicle")

_SET_UP_AGAIN = "then set up again with: pip install --editable . (bench/run and tests/run do it)"
_LISTS = ("torque_speed", "torque", "throttle_time", "throttle", "gear", "shift_at")
_APART = (*_LISTS, "torque_scale", "shift_by_time", "beyond_high")
# Runs a thread takes at a time: at least so many times for each thread, that all end together; no more than
# _CHUNK, and whole lanes.
_CHUNK, _TIMES, _LANES = 64, 4, 4


@cache
def available() -> str | None:
    """None where the compiled car can be used, else one line that says why not and what would help."""
    if _vehicle is None:
        return (
            "the compiled car is not built; install a C compiler"
            f" (apt-get install gcc libc6-dev), {_SET_UP_AGAIN}"
        )
    if _vehicle.ffi.string(_vehicle.lib.lv_sources()).decode() != source_digest():
        return f"the compiled car was built from other sources than those here; {_SET_UP_AGAIN}"
    return None


@dataclass(frozen=True)
class Case:
    """One run of a batch."""

    car: Car
    calibration: CalibrationFile
    track: Track
    controlled: bool = True


class _Memory:
    """C copies of cars, images, ceilings and roads, one of each however often it is used."""

    def __init__(self) -> None:
        assert _vehicle is not None
        self.ffi = _vehicle.ffi
        # by identity; each value holds what it was made of, so that no identity is used twice
        self._made: dict[tuple[str, int], tuple[object, Any]] = {}

    def _once(self, kind: str, thing: object, make: Any) -> Any:
        key = (kind, id(thing))
        if key not in self._made:
            self._made[key] = (thing, make())
        return self._made[key][1]

    def car(self, car: Car) -> Any:
        return self._once("car", car, lambda: _c_car(self.ffi, car))

    def image(self, calibration: CalibrationFile) -> Any:
        image = calibration.image

        def make() -> tuple[Any, Any]:
            words = self.ffi.new("uint32_t[]", len(image) // 4 + 1)
            self.ffi.memmove(words, image, len(image))
            return words, self.ffi.cast("uint8_t *", words)

        return self._once("image", calibration, make)[1]

    def ceilings(self, calibration: CalibrationFile) -> Any:
        def make() -> Any:
            made = self.ffi.new("lv_ceilings_t *")
            progress, start, full = cut_starts(calibration)
            made.points = len(progress)
            made.by_time = calibration.progress_unit == "ms"
            made.progress[0 : len(progress)] = progress.tolist()
            made.start[0 : len(progress)] = start.tolist()
            made.full[0 : len(progress)] = full.tolist()
            return made

        return self._once("ceilings", calibration, make)

    def track(self, track: Track) -> dict[str, Any]:
        """The fields of lv_track_t."""
        road = track.road
        heights = None
        if road is not None:
            heights = self._once("road", road, lambda: self.ffi.new("double[]", road.heights.tolist()))
        return {
            "seed": track.seed & (2**64 - 1),
            "noise": track.noise,
            "road": self.ffi.NULL if heights is None else heights,
            "road_points": 0 if road is None else len(road.heights),
            "road_step": 1.0 if road is None else road.step,
            "distance": track.distance,
            "duration": track.duration,
            "midpoint": track.midpoint,
        }


def _c_car(ffi: Any, car: Car) -> Any:
    made = ffi.new("lv_car_t *")
    for f in fields(car):
        if f.name not in _APART:
            setattr(made, f.name, getattr(car, f.name))
    for name in _LISTS:
        values = getattr(car, name)
        getattr(made, name)[0 : len(values)] = list(values)
    for i, torque in enumerate(car.torque):
        made.torque[i] = torque * car.torque_scale
    made.torque_points, made.throttle_points = len(car.torque), len(car.throttle)
    made.gears, made.shift_by_time, made.beyond_high = len(car.gear), car.shift_by_time, car.beyond_high
    return made


def rates(
    car: Car, time: float, state: Sequence[float], share: float, ratio: float, ratio_rate: float
) -> tuple[list[float], dict[str, float]]:
    """As Equations.rates, for comparing the two."""
    assert _vehicle is not None
    ffi, lib = _vehicle.ffi, _vehicle.lib
    found, forces = ffi.new("double[]", len(state)), ffi.new("lv_forces_t *")
    lib.lv_rates(_c_car(ffi, car), time, list(state), share, ratio, ratio_rate, found, forces)
    return list(found), {name: getattr(forces, name) for name, _ in ffi.typeof("lv_forces_t").fields}


def sine_cosine(angle: float) -> tuple[float, float]:
    """Those of a pitch (rad, up to a right angle), as the compiled car works them out."""
    assert _vehicle is not None
    found = _vehicle.ffi.new("double[2]")
    _vehicle.lib.lv_sine_cosine(angle, found, found + 1)
    return found[0], found[1]


def lanes_here() -> int:
    """Cars that this processor drives side by side: 4, or 1 without AVX2."""
    assert _vehicle is not None
    return int(_vehicle.lib.lv_lanes())


class CompiledDrive:
    """A car driven tick by tick: see Drive."""

    def __init__(
        self, car: Car, calibration: CalibrationFile, track: Track, controlled: bool = False
    ) -> None:
        assert _vehicle is not None
        self._lib, self._ffi = _vehicle.lib, _vehicle.ffi
        self.memory = _Memory()
        self.run = self._ffi.gc(self._lib.lv_new(), self._lib.lv_free)
        if self.run == self._ffi.NULL:
            raise MemoryError
        image = self.memory.image(calibration)
        c_track = self._ffi.new("lv_track_t *", self.memory.track(track))
        c_car = self.memory.car(car)
        verdict = self._lib.lv_begin(self.run, c_car, image, len(calibration.image), c_track, controlled)
        if verdict:
            raise ValueError(f"image refused, reason {verdict}")
        self.lead = int(self._lib.lv_lead(self.run))
        self._reading = self._ffi.new("lv_reading_t *")
        self._row = self._ffi.new("lv_row_t *")

    def sense(self) -> Reading:
        """As Drive.sense says."""
        self._lib.lv_sense(self.run, self._reading)
        return Reading(*(getattr(self._reading, name) for name in Reading._fields))

    def act(self, reduction: int, retard: int) -> bool:
        """As Drive.act says."""
        return not self._lib.lv_act(self.run, reduction, retard)

    def row(self) -> dict[str, float]:
        """As Drive.row says."""
        self._lib.lv_view(self.run, self._row)
        return {name: getattr(self._row, name) for name in VIEW}


def run(car: Car, calibration: CalibrationFile, track: Track, controlled: bool) -> Outcome:
    """One run, with the compiled controller or with the engine at full command all the way."""
    assert _vehicle is not None
    ffi, lib = _vehicle.ffi, _vehicle.lib
    drive = CompiledDrive(car, calibration, track, controlled)
    tick_s = calibration.tick_us / 1e6
    room = drive.lead + int(track.duration / tick_s) + 2
    table = np.empty((room, len(ROW)))
    scores = ffi.new("lv_scores_t *")
    rows = ffi.cast("lv_row_t *", table.ctypes.data)
    n = lib.lv_loop(drive.run, drive.memory.ceilings(calibration), rows, room, scores)
    columns = {name: table[:n, i] for i, name in enumerate(ROW)}
    row = np.frombuffer(ffi.buffer(scores), dtype=np.float64).copy()[None]
    found = {name: values[0] for name, values in _by_name(row).items()}
    return Outcome("the compiled model", tick_s, columns, found)


def batch(cases: Sequence[Case], workers: int | None = None, lanes: int = _LANES) -> dict[str, Floats]:
    """Many runs at once over `workers` threads (all cores): float64[n] for each name of SCORES, float64[n, 5]
    for those at the marks. Each row equals the scores of the same single run, to the bit, however many
    workers share the cases and whether cars drive side by side (`lanes` 4, where the processor can) or alone
    (1)."""
    assert _vehicle is not None
    ffi, lib = _vehicle.ffi, _vehicle.lib
    memory = _Memory()
    table = np.empty((len(cases), _width()))
    if not cases:
        return _by_name(table)
    c_cases = ffi.new("lv_case_t[]", len(cases))
    for made, case in zip(c_cases, cases, strict=True):
        made.car = memory.car(case.car)
        made.image = memory.image(case.calibration)
        made.ceilings = memory.ceilings(case.calibration)
        made.track = memory.track(case.track)
        made.controlled = case.controlled
    length = len(cases[0].calibration.image)
    threads = workers or os.cpu_count() or 1
    size = min(_CHUNK, _LANES * -(-len(cases) // (_LANES * _TIMES * threads)))

    def chunk(start: int) -> int:
        count = min(size, len(cases) - start)
        scores = ffi.cast("lv_scores_t *", table.ctypes.data + start * table.strides[0])
        return int(lib.lv_batch(count, c_cases + start, length, lanes, scores))

    with ThreadPoolExecutor(threads) as pool:
        for verdict in pool.map(chunk, range(0, len(cases), size)):
            if verdict < 0:
                raise MemoryError
            if verdict:
                raise ValueError(f"image refused, reason {verdict}")
    return _by_name(table)


def _width() -> int:
    return len(SCORES) + len(AT_MARKS) * (len(MARKS_FT) - 1)


def _by_name(table: Floats) -> dict[str, Any]:
    """The columns of a table of lv_scores_t."""
    found: dict[str, Any] = {}
    at = 0
    for name in SCORES:
        if name in AT_MARKS:
            found[name] = table[:, at : at + len(MARKS_FT)]
            at += len(MARKS_FT)
        else:
            found[name] = table[:, at]
            at += 1
    # the compiled car leaves 0 where the nose flew and never came down
    up = (found["flights"] > 0) & (found["landing_speed"] == 0)
    found["landing_speed"] = np.where(up, np.nan, found["landing_speed"])
    return found


def follow(car: Car, step_s: float, shares: Floats, each: int) -> Floats:
    """What a recording would show of a car under shares of torque commanded for each step: float64[m, 5] with
    height along the beam (m), speed (m/s), engine speed (rad/s), lift (m) and shaft speed (rad/s) before
    every `each` steps. Fewer rows where the car turns over."""
    assert _vehicle is not None
    ffi, lib = _vehicle.ffi, _vehicle.lib
    shares = np.ascontiguousarray(shares)
    rows = np.empty((-(-len(shares) // each), 5))
    commanded = ffi.cast("double *", shares.ctypes.data)
    seen = ffi.cast("lv_seen_t *", rows.ctypes.data)
    n = lib.lv_follow(_c_car(ffi, car), step_s, len(shares), commanded, each, seen)
    if n < 0:
        raise MemoryError
    return rows[:n]
