"""What the car's sensors say: noise, a sensor with two ends, and the ways in which one fails."""

from __future__ import annotations

from dataclasses import dataclass

from bench.demo.chance import Chance
from bench.demo.motion import Motion

MM_A_VOLT = 100.0  # 0 to 5 V over 0 to 500 mm

_NOISE_MM = 0.8
_LOWEST_V, _HIGHEST_V = 0.15, 4.9  # what a sensor that works and sees the track can read
_LOST_V, _BEYOND_V = 0.02, 4.975
_SPEED_NOISE_KMH = 0.08


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


def measure(motion: Motion, sensing: Sensing) -> dict[str, list[float]]:
    """The signals by name, one value each motion step: time_s, volts, height_mm, speed_kmh, engine_rpm,
    shaft_rpm, armed, launch."""
    volts = _volts(motion, sensing)
    chance = Chance(sensing.seed + 2000)
    moved = motion.front_kmh if sensing.front_wheels else motion.speed_kmh
    speed = [kmh + chance.normal() * _SPEED_NOISE_KMH if kmh > 2 else 0.0 for kmh in moved]
    shaft = [rpm + chance.normal() * 4 if rpm > 60 else 0.0 for rpm in motion.shaft_rpm]
    return {
        "time_s": motion.time_s,
        "volts": volts,
        "height_mm": [v * MM_A_VOLT for v in volts],
        "speed_kmh": speed,
        "engine_rpm": motion.engine_rpm,
        "shaft_rpm": shaft,
        "armed": [float(on) for on in motion.armed],
        "launch": [float(on) for on in motion.launch],
    }


def _volts(motion: Motion, sensing: Sensing) -> list[float]:
    chance = Chance(sensing.seed)
    volts = []
    for time, height in zip(motion.time_s, motion.height_mm, strict=True):
        read = (height + chance.normal() * _NOISE_MM) / MM_A_VOLT
        if read > _HIGHEST_V:
            read = _BEYOND_V + chance.normal() * 0.003
        since = time - motion.launch_s
        if any(start <= since < end for start, end in sensing.lost):
            read = _LOST_V + chance.share() * 0.01
        volts.append(max(read, _LOWEST_V) if read > 0.1 else read)
    if sensing.spikes:
        _add_spikes(volts, motion, sensing.spikes, chance)
    return volts


def _add_spikes(volts: list[float], motion: Motion, spikes: Spikes, chance: Chance) -> None:
    wait, up = spikes.least_ms, True
    for i, time in enumerate(motion.time_s):
        since = time - motion.launch_s
        if not spikes.start_s <= since < spikes.end_s:
            continue
        wait -= 1
        if wait > 0:
            continue
        wait = spikes.least_ms + chance.whole(spikes.most_ms - spikes.least_ms + 1)
        up = True if since < spikes.both_s else not up
        size = spikes.volts * (0.5 + 0.5 * chance.share())
        volts[i] = min(volts[i] + size, 5.0) if up else max(volts[i] - size, 0.0)
