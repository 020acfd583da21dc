"""What happens to the demo car in the closed loop: each story with its variants.

Invented values; the moments lie across the rise, the flight and the landing of the demo car. What a failed
sensor reads is of the kinds that the recordings of real range sensors show (tests/hazards/README.md).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from math import pi, sin
from pathlib import Path

from numpy.random import RandomState

from bench.calibration import CalibrationFile, compile_text
from bench.calibration import load as load_calibration
from bench.calibration.rewrite import Rewriter
from bench.vehicle.car import Car
from bench.vehicle.vehicle_file import load as load_vehicle
from bench.vehicle.vehicle_file import read as read_vehicle

from .loop_drive import Driven, Given, Story, drive, healthy

TRACES = Path(__file__).parents[2] / "traces"
CALIBRATIONS = {"plain": TRACES / "plain.toml", "ahead": TRACES / "demo.toml"}

ADC_MAX = 4095
MOMENTS_MS = (200, 500, 800, 1100, 1400)
REST_COUNTS = round(130 / 500 * ADC_MAX)


@dataclass(frozen=True)
class Variant:
    """One run of a story. `noise_mm` is the sensor's standard deviation, `torque` the engine's in percent;
    `changes` are the keys of the calibration that another sensor needs."""

    story: Story
    noise_mm: float = 0.0
    torque: int = 100
    changes: tuple[tuple[str, float], ...] = ()
    prelude: tuple[tuple[int, Given], ...] = ()

    def run(self, calibration: str) -> Driven:
        made = calibration_of(calibration, self.changes)
        car = car_of(self.torque)
        return drive(car, made, self.story, noise_mm=self.noise_mm, prelude=self.prelude)


@cache
def calibration_of(name: str, changes: tuple[tuple[str, float], ...] = ()) -> CalibrationFile:
    """A demo calibration, some keys of it changed."""
    plain = load_calibration(CALIBRATIONS[name])
    if not changes:
        return plain
    return compile_text(Rewriter(plain.text).set(dict(changes)), f"{name}.toml, changed")


@cache
def car_of(torque: int) -> Car:
    plain = load_vehicle(TRACES / "demo_car.toml")
    if torque == 100:
        return plain.car
    text = Rewriter(plain.text).set({"engine.torque_scale_percent": torque})
    return read_vehicle(text, plain.path).car


def counts_of(mm: float) -> int:
    return max(0, min(ADC_MAX, round(mm / 500 * ADC_MAX)))


def height_of(counts: int) -> float:
    return counts / ADC_MAX * 500


# With a reading every 20 ms a nose at its fastest crosses a wider end before enough of them agree (M3).
SLOW_SENSOR = (("sensor.period_ms", 20.0), ("sensor.near_end_mm", 310.0))


def noisy_sensor(mm: float) -> tuple[tuple[str, float], ...]:
    """What a sensor of such a standard deviation needs: readings six of them apart are still healthy."""
    allowed = ("sensor.noise_mm", 6 * mm), ("sensor.near_end_mm", 20 + 6 * mm)
    return allowed if mm < 3 else (*allowed, ("look_ahead.time_constant_ms", 30.0))


# What may happen to the height sensor


def reads(at_ms: int, lasts_ms: int, counts: int) -> Story:
    """One reading for a while."""

    def story(ms: int, given: Given) -> None:
        if at_ms <= ms < at_ms + lasts_ms:
            given.counts = counts

    return story


def frozen(at_ms: int, lasts_ms: int) -> Story:
    """The last reading stays for a while."""
    last = [REST_COUNTS]

    def story(ms: int, given: Given) -> None:
        if at_ms <= ms < at_ms + lasts_ms:
            given.counts = last[0]
        else:
            last[0] = given.counts

    return story


def losses(seed: int, share: float) -> Story:
    """Samples of a 20 ms sensor lost, each by rng."""
    lost = RandomState(seed).random_sample(1000) < share

    def story(ms: int, given: Given) -> None:
        if ms >= 0 and lost[ms // 20]:
            given.counts = ADC_MAX

    return story


def spikes(seed: int, every_ms: int, lasts_ms: int) -> Story:
    """Readings that are off by 60 to 300 mm, up or down."""
    rng = RandomState(seed)
    off = rng.uniform(60, 300, 2000) * rng.choice([-1, 1], 2000)

    def story(ms: int, given: Given) -> None:
        if ms >= 0 and ms % every_ms < lasts_ms:
            given.counts = counts_of(height_of(given.counts) + off[ms // every_ms])

    return story


def moved(scale: float, offset_mm: float) -> Story:
    """A gain or an offset that the calibration does not know; a reading beyond the range stays."""

    def story(ms: int, given: Given) -> None:
        if given.counts < ADC_MAX:
            mm = 130 + (height_of(given.counts) - 130) * scale + offset_mm
            given.counts = counts_of(mm)

    return story


def shaken(hertz: float, mm: float) -> Story:
    """The sensor's mount vibrates while the engine pulls."""

    def story(ms: int, given: Given) -> None:
        if ms >= 0 and given.counts < ADC_MAX:
            given.counts = counts_of(height_of(given.counts) + mm * sin(2 * pi * hertz * ms / 1000))

    return story


def reversed_curve(ms: int, given: Given) -> None:
    """Signal and supply exchanged: high reads low."""
    given.counts = ADC_MAX - given.counts


# What may happen to the other inputs


def engine_spikes(lasts_ms: int) -> Story:
    def story(ms: int, given: Given) -> None:
        if ms >= 0 and ms % 500 < lasts_ms:
            given.engine = 12000

    return story


def no_speed(valid: int) -> Story:
    def story(ms: int, given: Given) -> None:
        given.speed, given.valid = 0, valid

    return story


def arming_bounce(seed: int) -> Story:
    rng = RandomState(seed)
    opens = set()
    at = 0
    while at < 6000:
        at += int(rng.randint(20, 400))
        opens |= set(range(at, at + int(rng.randint(1, 95))))

    def story(ms: int, given: Given) -> None:
        if ms in opens:
            given.armed = 0

    return story


def _standing(ms: int, **changes: int) -> tuple[int, Given]:
    return ms, replace(Given(REST_COUNTS, engine=2300), **changes)


def second_staging() -> tuple[tuple[int, Given], ...]:
    """Staged with the nose pushed down by 8 mm, backed out, disarmed, staged again."""
    low = counts_of(122)
    return (_standing(800, counts=low), _standing(400, armed=0, speed=30), _standing(300, armed=0))


def aborted_launch() -> tuple[tuple[int, Given], ...]:
    """A launch that the driver gives up after 0.6 s, with the nose up for a moment; then staged again."""
    rise = [_standing(10, counts=counts_of(130 + 2 * i), launch=1, speed=5 * i) for i in range(30)]
    fall = [_standing(10, counts=counts_of(190 - 2 * i), launch=1, speed=150 - 5 * i) for i in range(30)]
    return (_standing(800), *rise, *fall, _standing(200, launch=1), _standing(500, armed=0))


def _all(stories: Sequence[Story]) -> list[Variant]:
    return [Variant(story) for story in stories]


def _dropouts(counts: int) -> Iterator[Variant]:
    for at in MOMENTS_MS:
        for lasts in (50, 100, 200, 400):
            yield Variant(reads(at, lasts, counts))


STORIES: dict[str, list[Variant]] = {
    "nothing fails": [Variant(healthy), Variant(healthy, noise_mm=0.8)],
    "lost 50 to 400 ms": list(_dropouts(ADC_MAX)),
    "0 V for 50 to 400 ms": list(_dropouts(0)),
    "wrong for 10 ms, near the end": _all([reads(at, 10, counts_of(480)) for at in (50, *MOMENTS_MS)]),
    "wrong for 10 ms, near rest": _all([reads(at, 10, counts_of(140)) for at in MOMENTS_MS]),
    "frozen for 60 and 400 ms": _all([frozen(at, lasts) for at in MOMENTS_MS for lasts in (60, 400)]),
    "low for 400 ms": _all([reads(at, 400, counts_of(100)) for at in MOMENTS_MS]),
    "spikes of height": _all([spikes(5, 100, 1), spikes(6, 40, 3), spikes(7, 10, 1)]),
    "spikes of engine speed": _all([engine_spikes(lasts) for lasts in (1, 3, 10)]),
    "mount shakes by 3 mm": _all([shaken(hertz, 3) for hertz in (30, 45, 60, 80)]),
    "mount shakes by 10 mm": _all([shaken(hertz, 10) for hertz in (30, 45, 60, 80)]),
    "noise of 2 mm": [Variant(healthy, noise_mm=2.0, changes=noisy_sensor(2.0))],
    "noise of 6 mm": [Variant(healthy, noise_mm=6.0, changes=noisy_sensor(6.0))],
    "arming bounces": _all([arming_bounce(seed) for seed in range(3)]),
    "speed reads 0": _all([no_speed(1)]),
    "speed is not valid": _all([no_speed(0)]),
    "gain 10 % low": _all([moved(0.9, 0)]),
    "gain 10 % high": _all([moved(1.1, 0)]),
    "offset 15 mm down": _all([moved(1, -15)]),
    "offset 15 mm up": _all([moved(1, 15)]),
    "curve reversed": _all([reversed_curve]),
    "a second staging": [Variant(healthy, prelude=second_staging())],
    "an aborted launch": [Variant(healthy, prelude=aborted_launch())],
    "weak engine (65 %), 20 ms sensor": [Variant(healthy, torque=65, changes=SLOW_SENSOR)],
    "the same, 1 % of samples lost": [
        Variant(losses(seed, 0.01), torque=65, changes=SLOW_SENSOR) for seed in range(20)
    ],
    "the same, 3 % of samples lost": [
        Variant(losses(seed, 0.03), torque=65, changes=SLOW_SENSOR) for seed in range(20)
    ],
}
