"""What several tests share: a small valid calibration in compiled units, and a way to run it."""

from __future__ import annotations

from bench.calibration.image import Values, pack
from controller import Controller
from controller.constants import AXIS_POINTS


def table(*rows: list[int]) -> list[int]:
    """Map cells from rows of any length, by lift."""
    cells: list[int] = []
    for row in rows:
        cells += row + [0] * (AXIS_POINTS - len(row))
    return cells


def values(**changes: int | list[int]) -> Values:
    """A plain calibration: 1 ms tick and sensor, 12 bits over 0..500 mm, rest 130 mm, gain 1.

    No median, no low-pass, no look-ahead, no stuck check; reduction and retard rise from lift 100 mm
    and 60 mm to their greatest at 300 mm; hold 300 ticks, release in one step.
    """
    plain: Values = {
        "gain_q12": 4096,
        "learn_window": 0,
        "look_speed_q12": 62500 * 4096 // 1000,
        "progress_up_q12": 2 << 12,
        "progress_down_q12": 1 << 12,
        "hold_ticks": 300,
        "release_q16": 0,
        "retard_release_q16": 0,
        "fault_hold_ticks": 3000,
        "fault_release_q16": 1 << 15,
        "fault_retard_release_q16": 1 << 13,
        "blind_growth_q16": 1 << 16,
        "engine_release_q16": 0,
        "engine_retard_release_q16": 0,
        "shaft_release_q16": 0,
        "shaft_retard_release_q16": 0,
        "tick_us": 1000,
        "adc_max": 4095,
        "window_low": 40,
        "window_high": 4055,
        "sensor_points": 2,
        "sensor_counts": [0, 4095],
        "sensor_height": [0, 8000],
        "sample_ticks": 1,
        "allowance": 48,
        "allowance_rate": 80,
        "confirm_samples": 20,
        "heal_samples": 50,
        "agree_samples": 3,
        "near_end": 400,
        "return_samples": 500,
        "stuck_band": 16,
        "stuck_samples": 0,
        "stuck_speed": 500,
        "rest": 2080,
        "learn_spread": 160,
        "learn_tolerance": 320,
        "median_samples": 1,
        "lowpass_q12": 4096,
        "look_rising_q12": 0,
        "look_falling_q12": 0,
        "look_lowpass_q12": 4096,
        "look_from": -32767,
        "progress_axis_kind": 0,
        "speed_source": 0,
        "speed_step": 200,
        "run_points": 2,
        "run_ms": [0, 6000],
        "run_speed": [0, 2400],
        "air_lift": 1600,
        "air_hysteresis": 160,
        "spin_up_ticks": 200,
        "lookback_ticks": 8,
        "lift_points": 4,
        "lift_axis": [960, 1600, 3200, 4800],
        "progress_points": 2,
        "progress_axis": [0, 2000],
        "reduction_map": table([0, 0], [0, 0], [400, 600], [600, 600]),
        "retard_map": table([0, 0], [50, 80], [200, 200], [200, 200]),
        "trigger": 20,
        "trigger_hysteresis": 10,
        "hold_from": 0,
        "retard_follows": 0,
        "retard_trigger": 10,
        "retard_trigger_hysteresis": 5,
        "disarm_ticks": 100,
        "blind_reduction": 200,
        "blind_until_ms": 3000,
        "engine_points": 0,
        "engine_ms": [],
        "engine_rpm": [],
        "engine_after_end": 0,
        "engine_before_launch": 0,
        "engine_hysteresis": 50,
        "engine_line_points": 2,
        "engine_over_rpm": [0, 500],
        "engine_reduction": [50, 600],
        "engine_retard": [0, 100],
        "shaft_points": 0,
        "shaft_ms": [],
        "shaft_rpm": [],
        "shaft_after_end": 0,
        "shaft_hysteresis": 50,
        "shaft_line_points": 2,
        "shaft_over_rpm": [0, 300],
        "shaft_reduction": [50, 400],
        "shaft_retard": [0, 100],
        "reduction_limit": 1000,
        "retard_limit": 1000,
        "cylinders": 8,
        "firing_order": [1, 8, 4, 3, 6, 5, 7, 2],
        "event_bits": 3,
        "stall_ms": 250,
        "safe_reduction": 1000,
        "safe_retard": 0,
    }
    plain.update(changes)
    return plain


def controller(**changes: int | list[int]) -> Controller:
    """A controller that runs the plain calibration with some values changed."""
    made = Controller()
    verdict = made.load(pack(values(**changes)))
    assert verdict == 0, f"image refused, reason {verdict}"
    return made


def counts_of(height_mm: float) -> int:
    """What the plain sensor reads at a height, quantised to the nearest count."""
    return max(0, min(4095, round(height_mm * 4095 / 500)))


def tick(
    made: Controller,
    height_mm: float = 130.0,
    *,
    counts: int | None = None,
    speed: int = 0,
    speed_valid: int = 1,
    engine: int = 0,
    shaft: int = 0,
    armed: int = 1,
    launch: int = 1,
    request: tuple[int, int, int] = (0, 0, 0),
) -> None:
    """One step with the next tick number and the rest height, unless told otherwise."""
    number = (made.tick + 1) & 0xFFFF if made.started else 0
    read = counts_of(height_mm) if counts is None else counts
    made.step(number, read, speed, speed_valid, engine, shaft, armed, launch, *request)


def launched(**changes: int | list[int]) -> Controller:
    """A controller with a healthy sensor at rest height, launched by the tick before."""
    made = controller(**changes)
    for _ in range(200):
        tick(made, launch=0)
    tick(made)
    assert made.launched
    assert not made.failing
    return made
