"""What the car's sensors say: noise, a height sensor with two ends, and the ways in which one fails."""

from __future__ import annotations

from dataclasses import dataclass

from bench.random import Random

MM_A_VOLT = 100.0  # 0 to 5 V over 0 to 500 mm

_NOISE_MM = 0.8
_LOWEST_V, _HIGHEST_V = 0.15, 4.9  # what a sensor that works and sees the track can read
_LOST_V, _BEYOND_V = 0.02, 4.975
_SPEED_NOISE_KMH = 0.08
_ENGINE_NOISE_RPM, _SHAFT_NOISE_RPM = 14.0, 4.0


@dataclass(frozen=True)
class Spikes:
    """Single samples that are wrong, from `start_s` to `end_s` since launch, one each `least_ms` to
    `most_ms`, by up to `volts`. From `both_s` on every other one points down."""

    start_s: float
    end_s: float
    least_ms: int
    most_ms: int
    volts: float
    both_s: float


@dataclass(frozen=True)
class Sensing:
    """How one run was measured. `lost` are times since launch, in pairs, with no signal from the height
    sensor; `front_wheels` takes the speed from them."""

    seed: int
    lost: tuple[tuple[float, float], ...] = ()
    spikes: Spikes | None = None
    front_wheels: bool = False


@dataclass(frozen=True)
class Moment:
    """What the car does in one millisecond. `since_s` counts from the launch, `height_mm` is along the
    sensor's beam, `front_kmh` what the front wheels turn."""

    since_s: float
    height_mm: float
    speed_kmh: float
    front_kmh: float
    engine_rpm: float
    shaft_rpm: float


@dataclass(frozen=True)
class Read:
    """What the sensors say of a moment, in the steps of what reads them: 1 mV, 0.1 km/h, 1 rpm."""

    volts: float
    speed_kmh: float
    engine_rpm: float
    shaft_rpm: float


class Sensors:
    """The sensors of one run, to be read once each millisecond. A failing one has the noise of a healthy
    one."""

    def __init__(self, sensing: Sensing) -> None:
        self._sensing = sensing
        self._height, self._rest, self._fails = (Random(sensing.seed + n) for n in (0, 2000, 4000))
        self._until_spike = sensing.spikes.least_ms if sensing.spikes else 0
        self._up = True

    def read(self, moment: Moment) -> Read:
        """What they say."""
        volts = (moment.height_mm + self._height.normal() * _NOISE_MM) / MM_A_VOLT
        if volts > _HIGHEST_V:
            volts = _BEYOND_V + self._height.normal() * 0.003
        volts = self._failing(moment.since_s, max(volts, _LOWEST_V))
        kmh = moment.front_kmh if self._sensing.front_wheels else moment.speed_kmh
        speed, engine, shaft = (self._rest.normal() for _ in range(3))
        return Read(
            round(volts, 3),
            round(max(0.0, kmh + speed * _SPEED_NOISE_KMH), 1) if kmh > 2 else 0.0,
            float(round(moment.engine_rpm + engine * _ENGINE_NOISE_RPM)),
            float(round(moment.shaft_rpm + shaft * _SHAFT_NOISE_RPM)) if moment.shaft_rpm > 60 else 0.0,
        )

    def _failing(self, since: float, volts: float) -> float:
        if any(start <= since < end for start, end in self._sensing.lost):
            return _LOST_V + self._fails.share() * 0.01
        spikes = self._sensing.spikes
        if spikes is None or not spikes.start_s <= since < spikes.end_s:
            return volts
        self._until_spike -= 1
        if self._until_spike > 0:
            return volts
        self._until_spike = spikes.least_ms + self._fails.whole(spikes.most_ms - spikes.least_ms + 1)
        self._up = True if since < spikes.both_s else not self._up
        size = spikes.volts * (0.5 + 0.5 * self._fails.share())
        return min(volts + size, 5.0) if self._up else max(volts - size, 0.0)
