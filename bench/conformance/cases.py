"""The cases of the conformance set, and made-up ones besides: calibrations, inputs, and the right answers.

A case is made from one seed by bench.twin.generate, with times so short that a few hundred ticks go through
every state. It ends at rest, so that the next calibration may be loaded: after the inputs come ticks with
everything off until nothing is taken any more.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

from bench.calibration.image import Values, pack
from bench.conformance.inputs import make_inputs
from bench.link.protocol import INPUT, Records
from bench.link.reading import to_records
from bench.link.target import LocalTarget, RunResult
from bench.random import Random
from bench.twin.generate import Ints, likely, make_values, one_of
from controller import Controller
from controller.constants import BY_TIME, SENSOR_POINTS

# Times so short that a few hundred ticks go through every state of every part, again and again.
SHORT = {
    "learn_window": 6,
    "hold_ticks": 20,
    "fault_hold_ticks": 90,
    "sample_ticks": 3,
    "confirm_samples": 45,
    "heal_samples": 6,
    "return_samples": 12,
    "stuck_samples": 8,
    "stuck_speed": 20,
    "spin_up_ticks": 10,
    "lookback_ticks": 3,
    "disarm_ticks": 6,
    "blind_until_ms": 400,
}
# Releases that are no step are no slower than this, so that a case comes to rest soon; what is below a whole
# unit a tick stays.
QUICK_Q16 = 6 << 16
RELEASES = (
    "release_q16", "retard_release_q16", "fault_release_q16", "fault_retard_release_q16",
    "engine_release_q16", "engine_retard_release_q16", "shaft_release_q16", "shaft_retard_release_q16",
)  # fmt: skip
# What decides something only in a small part of its range lies there more often.
OFTEN: dict[str, tuple[int, ...]] = {
    "learn_window": (1, 2, 3, 5),
    "learn_spread": (0, 2, 5, 9, 40),
    "learn_tolerance": (0, 3, 20, 60, 400),
    "stuck_samples": (1, 3, 6),
    "stuck_band": (0, 1, 3, 8),
    "allowance": (8, 20, 60, 300),
    "allowance_rate": (2, 8, 30, 120),
    "sample_ticks": (1, 1, 2, 3),
    "speed_source": (0, 1),
    "air_hysteresis": (0, 10, 60),
    "gain_q12": (4096, 6000),
    "tick_us": (500, 1000, 4000, 10000),
    "return_samples": (2, 3, 6),
    "agree_samples": (2, 2, 3),
    "confirm_samples": (2, 3, 4, 5, 45),
    "engine_hysteresis": (0, 50, 200),
    "shaft_hysteresis": (0, 50, 200),
    "blind_reduction": (0, 150, 400),
    "trigger_hysteresis": (0, 20, 60),
    "speed_step": (100, 400, 3000),
    "progress_up_q12": (3 << 12, 50 << 12, 3000 << 12),
    "progress_down_q12": (3 << 12, 50 << 12, 3000 << 12),
}
# Rows whose values are multiples of these, so that requests tie and maps have plateaus.
LEVELS = {
    "reduction_map": 250, "engine_reduction": 250, "shaft_reduction": 250,
    "retard_map": 50, "engine_retard": 50, "shaft_retard": 50,
}  # fmt: skip
# Axes over time, which a case of a few hundred ticks is to run through.
TIMES = {"run_ms": "run_points", "engine_ms": "engine_points", "shaft_ms": "shaft_points"}
MOST_TAIL = 250
MOST_TICKS = 100_000
_NAME = re.compile(r"(\d{1,10}):(\d{1,6})(?::(\d{1,6}-\d{1,6}(?:,\d{1,6}-\d{1,6})*))?")

"""Ticks in which a case must come to rest."""


def number_of(values: Values, name: str) -> int:
    """A value that is no row."""
    value = values[name]
    assert isinstance(value, int)
    return value


def row_of(values: Values, name: str) -> list[int]:
    """A row of values."""
    value = values[name]
    assert isinstance(value, list)
    return value


def _soon(source: Random, row: list[int], points: int, step: int) -> list[int]:
    """The row with its first `points` values rising in steps around `step`."""
    value, made = source.whole(4 * step), []
    for _ in range(points):
        made.append(value)
        value += 1 + source.whole(3 * step)
    return made + row[points:]


def _even_sensor(source: Random, points: int) -> Values:
    """A curve of one sixteenth of a millimetre a count, so that heights meet limits exactly."""
    most = one_of(source, (2047, 4095, 8191))
    axis = [most * i // (points - 1) for i in range(points)] + [0] * (SENSOR_POINTS - points)
    return {
        "adc_max": most, "window_low": most // 100, "window_high": most - most // 100, "sensor_counts": axis,
        "sensor_height": list(axis), "rest": most // 4, "near_end": most // 16,
    }  # fmt: skip


@dataclass(frozen=True)
class Case:
    """Inputs of `ticks` ticks and the calibration, both made from `seed`. `kept`: ranges of those ticks,
    where some were left out; the tick numbers are then those of as many ticks from the first on.

    `str()` gives its name, SEED:TICKS or SEED:TICKS:FIRST-END,FIRST-END...; `Case.parse` makes it again.
    """

    seed: int
    ticks: int
    kept: tuple[tuple[int, int], ...] = ()

    @classmethod
    def parse(cls, text: str) -> Case:
        """The case of a name. Raises ValueError for anything else."""
        found = _NAME.fullmatch(text)
        if not found:
            raise ValueError(text)
        seed, ticks = int(found[1]), int(found[2])
        edges = [part.split("-") for part in found[3].split(",")] if found[3] else []
        kept = tuple((int(first), int(end)) for first, end in edges)
        row = [0, *(edge for part in kept for edge in part), ticks]
        if not 0 < ticks <= MOST_TICKS or row != sorted(row) or any(first == end for first, end in kept):
            raise ValueError(text)
        return cls(seed, ticks, kept)

    def __str__(self) -> str:
        parts = ",".join(f"{first}-{end}" for first, end in self.kept)
        return f"{self.seed}:{self.ticks}" + (f":{parts}" if parts else "")

    @cached_property
    def values(self) -> Values:
        """The calibration's values, by field of the image."""
        source = Random(self.seed)
        made = make_values(source)
        for name, most in SHORT.items():
            made[name] = min(number_of(made, name), most)
        for name in RELEASES:
            value = number_of(made, name)
            made[name] = value + QUICK_Q16 if 0 < value < QUICK_Q16 else value
        for name, choices in OFTEN.items():
            if likely(source, 60):
                made[name] = one_of(source, choices)
        made["fault_hold_ticks"] = max(number_of(made, "fault_hold_ticks"), number_of(made, "hold_ticks"))
        step = max(20, number_of(made, "tick_us") // 20)
        for name, count in TIMES.items():
            if likely(source, 80):
                made[name] = _soon(source, row_of(made, name), number_of(made, count), step)
        if number_of(made, "progress_axis_kind") == BY_TIME:
            points = number_of(made, "progress_points")
            made["progress_axis"] = _soon(source, row_of(made, "progress_axis"), points, step)
        if likely(source, 40):
            made |= _even_sensor(source, number_of(made, "sensor_points"))
        if likely(source, 40):
            made["near_end"] = max(1, number_of(made, "near_end") // 8)
        if likely(source, 50):
            for name, level in LEVELS.items():
                made[name] = [value // level * level for value in row_of(made, name)]
            made["blind_reduction"] = one_of(source, (250, 500))
        return made

    @cached_property
    def image(self) -> bytes:
        """The calibration's image."""
        return pack(self.values)

    @property
    def tick_us(self) -> int:
        """Microseconds of a tick."""
        return number_of(self.values, "tick_us")

    @cached_property
    def run(self) -> tuple[Ints, Records]:
        """(tick numbers, INPUT records) of its ticks, without the end at rest."""
        made = make_inputs(Random(self.seed), self.values, self.ticks)
        numbers = made.pop("tick")
        records = to_records(made, number_of(self.values, "cylinders"), self.tick_us)
        if self.kept:
            rows = np.concatenate([np.arange(first, end) for first, end in self.kept])
            numbers, records = numbers[: len(rows)], records[rows]
        return numbers, records

    @cached_property
    def whole(self) -> tuple[Ints, Records]:
        """(tick numbers uint16[n], INPUT records[n]) with the end, as long as it takes (MOST_TAIL)."""
        numbers, records = self.run
        quiet = np.zeros(MOST_TAIL, INPUT)
        target = LocalTarget(Controller())
        target.load(self.image)
        target.start()
        feed(target, numbers, records)
        after = int(numbers[-1]) + 1
        outputs = target.run(after, quiet).outputs
        busy = (outputs["launched"] > 0) | (outputs["reduction"] > 0) | (outputs["retard"] > 0)
        busy[: number_of(self.values, "disarm_ticks")] = True
        tail = min(MOST_TAIL, int(np.flatnonzero(busy)[-1]) + 2)
        ends = np.arange(after, after + tail, dtype=np.int64) & 0xFFFF
        return np.concatenate((numbers, ends.astype(np.uint16))), np.concatenate((records, quiet[:tail]))

    @cached_property
    def right(self) -> RunResult:
        """What the reference makes of `whole`."""
        target = LocalTarget(Controller())
        target.load(self.image)
        target.start()
        return feed(target, *self.whole)

    @property
    def rests(self) -> bool:
        """Whether it ends at rest."""
        last = self.right.outputs[-1]
        return not (last["launched"] or last["reduction"] or last["retard"])


def pieces(numbers: Ints) -> list[tuple[int, int]]:
    """The stretches [first, end) in which each tick has the number after that of the one before. Differences
    of numbers, uint16[n], wrap as the numbers do."""
    breaks = np.flatnonzero(np.diff(numbers) != 1) + 1
    edges = [0, *breaks.tolist(), len(numbers)]
    return list(pairwise(edges))


def feed(target: LocalTarget, numbers: Ints, records: Records) -> RunResult:
    """Step a started controller in this process over INPUT records whose ticks have numbers of their own."""
    parts = [target.run(int(numbers[first]), records[first:end]) for first, end in pieces(numbers)]
    outputs = np.concatenate([part.outputs for part in parts])
    return RunResult(outputs, b"".join(part.events for part in parts), parts[-1].digest)


def case_id(case: Case, tick: int) -> str:
    """The replay id of a tick of a case."""
    return f"case:{tick}:{case}"


def digest_of_case(case: Case) -> str:
    """SHA-256, in hexadecimal digits, over image, tick numbers, inputs, outputs and events of a case."""
    numbers, records = case.whole
    right = case.right
    digest = hashlib.sha256(case.image + numbers.tobytes() + records.tobytes())
    digest.update(right.outputs.tobytes() + right.events)
    return digest.hexdigest()
