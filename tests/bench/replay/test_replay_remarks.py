"""What deserves a look after a replay: said where it is so, and only there."""

from __future__ import annotations

import numpy as np
import pytest

from bench.replay.findings import Replay, find
from bench.replay.inputs import Inputs
from bench.replay.remarks import make_remarks
from bench.replay.run import run
from tests.bench.replay.test_replay_run import inputs
from tests.replay_support import compiled

N = 4000


def nose(top_mm: float, n: int = N, rest_mm: float = 130.0) -> np.ndarray:
    """Counts of one flight of 1.5 s from 0.5 s on."""
    height = rest_mm + top_mm * np.sin(np.pi * np.clip((np.arange(n) - 500) / 1500, 0, 1)) ** 2
    return np.rint(height * 4095 / 500)


def said(
    counts: np.ndarray | int,
    calibration: dict[str, int | list[int]] | None = None,
    **columns: np.ndarray | int,
) -> dict[str, str]:
    """The remarks by their codes."""
    file = compiled(**(calibration or {}))
    arrays = inputs(N, counts=counts, **columns)
    made = run("reference", file.image, arrays)
    lost = arrays["counts"] == 0
    stepped = Replay(Inputs(1000, 0.0, 0, arrays, lost, True, []), made, file)
    return {look.code: look.text for look in make_remarks(stepped, find(stepped))}


def test_a_run_as_it_should_be_has_none() -> None:
    assert said(nose(310), {"lift_axis": [960, 1600, 3200, 4960]}) == {}


def test_no_launch() -> None:
    assert list(said(nose(310), launch=0)) == ["no_launch"]


def test_a_fault_at_launch() -> None:
    dead = nose(310)
    dead[150:260] = 0
    assert "LAUNCH 1: A FAULT WAS PRESENT AT LAUNCH" in said(dead)["fault_at_launch"]


@pytest.mark.parametrize(("off", "words"), [(25, "25 mm higher"), (-25, "25 mm lower"), (5, None)])
def test_a_rest_height_that_is_not_the_cars(off: int, words: str | None) -> None:
    remarks = said(nose(310 - off, rest_mm=130 + off), launch=np.arange(N) >= 450)
    assert (words in remarks["rest_height"]) if words else ("rest_height" not in remarks)


def test_a_nose_that_does_not_stand_says_nothing_of_the_rest_height() -> None:
    assert "rest_height" not in said(nose(310), launch=np.arange(N) >= 900)


def test_out_of_sight() -> None:
    text = said(nose(420))["out_of_sight"]
    assert text.startswith("The controller held the nose for out of sight for 0.")
    assert text.endswith("the recording reads no height below the sensor's end of 500 mm there.")
    assert "sensor_at_end" not in said(nose(420))


def test_near_the_end_of_the_sensor() -> None:
    remarks = said(nose(353))
    assert "within 25 mm of the sensor's end" in remarks["sensor_at_end"]
    assert "out_of_sight" not in remarks


def test_a_lost_height() -> None:
    lost = nose(310)
    lost[2500:2600] = 0
    remarks = said(lost)
    assert remarks["no_height"] == "The trace has no height for 0.100 s of the runs."
    assert remarks["fault_sensor"].startswith("Too many samples not used: 0.1")


def test_axes_that_do_not_cover_the_run() -> None:
    narrow: dict[str, int | list[int]] = {"progress_axis": [0, 800], "lift_axis": [960, 1600, 3200, 3840]}
    remarks = said(nose(310), narrow, speed=np.arange(N) // 3)
    assert "progress (km/h) ends at 80, but it reached 133" in remarks["progress_beyond_axis"]
    assert "lift (mm) ends at 240, but it reached 310" in remarks["entry_beyond_axis"]
    by_time: dict[str, int | list[int]] = {"progress_axis_kind": 1, "progress_axis": [0, 1000]}
    assert (
        "progress (ms) ends at 1000, but it reached 3799" in said(nose(310), by_time)["progress_beyond_axis"]
    )


def test_a_missing_speed() -> None:
    remarks = said(nose(310), speed_valid=np.arange(N) < 2100)
    assert "no valid speed for 50 % of the run" in remarks["no_valid_speed"]
    assert "no valid speed for 100 % of the run" in said(nose(310), speed_valid=0)["no_valid_speed"]


def test_a_reduction_that_is_never_reached() -> None:
    assert (
        "it reached 90 mm, and the map's reduction begins at 100 mm"
        in said(nose(90))["reduction_never_reached"]
    )
    trigger: dict[str, int | list[int]] = {"trigger": 300}
    assert "that is below the trigger" in said(nose(150), trigger)["reduction_never_reached"]


def test_full_reduction_that_is_never_reached() -> None:
    text = said(nose(150))["full_reduction_never_reached"]
    # half of the way from 100 to 200 mm of lift at speed 0 gives half of 40 %
    assert text == "The lift asked for 20.0 % at most of the map's 60.0 %, at up to 150 mm."


def test_a_hold_that_never_runs_out() -> None:
    assert "hold_never_ran_out" in said(nose(310), {"hold_ticks": 3000, "fault_hold_ticks": 3000})
    assert "hold_never_ran_out" not in said(nose(310), {"hold_ticks": 0})


def test_a_limit_that_cuts() -> None:
    assert said(nose(310), {"reduction_limit": 500})["capped"].startswith("The limit of 50 % cut")


def test_a_command_that_will_not_rest() -> None:
    noisy = nose(310) + np.where(np.arange(N) % 8 < 4, 16, 0)
    without_hold: dict[str, int | list[int]] = {"hold_ticks": 0}
    remarks = said(noisy, without_hold)
    assert "many_reversals" in remarks
    assert "look-ahead" not in remarks["many_reversals"]
    ahead = without_hold | {"look_rising_q12": 6554, "look_falling_q12": 6554, "look_lowpass_q12": 400}
    assert "the price of the look-ahead" in said(noisy, ahead)["many_reversals"]


# With the nose up from 0.6 to 1.9 s: a car's speed rises through it, a front wheel's falls and comes back.
TIMES = np.arange(N)
OF_CAR = np.clip(TIMES - 200, 0, None) // 4
OF_WHEEL = np.interp(TIMES, [0, 200, 800, 1850, 2050, N], [0, 0, 300, 60, 460, 900]).astype(int)


@pytest.mark.parametrize(
    ("source", "speed", "code"),
    [
        (0, OF_CAR, None),
        (0, OF_WHEEL, "a_front_wheel"),
        (1, OF_CAR, "not_a_front_wheel"),
        (1, OF_WHEEL, None),
        # a car that slows down and stays slow, as with a lifted throttle
        (0, np.interp(TIMES, [0, 200, 800, 1900, N], [0, 0, 300, 100, 100]).astype(int), None),
    ],
)
def test_a_speed_of_the_other_wheel(source: int, speed: np.ndarray, code: str | None) -> None:
    remarks = said(nose(310), {"speed_source": source}, speed=speed)
    assert [one for one in remarks if one.endswith("front_wheel")] == ([code] if code else [])


def test_torque_that_a_fault_keeps_to_the_end_of_the_run() -> None:
    counts = nose(310)
    counts[1250:] = 0
    remarks = said(counts, {"fault_hold_ticks": 5000})
    assert "kept torque taken for the last 2." in remarks["kept_to_the_end"]
    assert "kept_to_the_end" not in said(counts, {"fault_hold_ticks": 500, "fault_release_q16": 65536 * 100})


# --- readiness

QUIET = np.full(N, 1065)


def still(standing_mm: float) -> np.ndarray:
    """A nose that rises from 1.5 s on and wanders as an even share of so many mm before."""
    height = 130 + standing_mm * (np.random.default_rng(5).random(N) - 0.5)
    rise = 310 * np.sin(np.pi * np.clip((np.arange(N) - 1600) / 1500, 0, 1)) ** 2
    return np.rint((height + rise) * 4095 / 500)


def test_a_controller_out_of_service_for_part_of_the_run() -> None:
    lost = nose(310)
    lost[1200:] = 0
    text = said(lost)["out_of_service"]
    # lost from 1.0 s after the launch on, and a fault 20 ms later: 2.78 of 3.80 s
    assert text.startswith("LAUNCH 1: THE CONTROLLER WAS OUT OF SERVICE for 73 % of the run (2.7")
    assert "first 1.0" in text
    assert text.endswith("too many samples not used.")
    short = nose(310)
    short[2500:2600] = 0
    assert "out_of_service" not in said(short)


def test_a_height_that_has_not_moved_since_arming() -> None:
    armed = np.arange(N) >= 50
    text = said(QUIET, armed=armed)["height_not_moved"]
    assert "HAD NOT MOVED SINCE ARMING, 0.150 s before" in text
    assert "1065 counts all the time" in text
    moved = QUIET.copy()
    moved[600:] += 2
    assert "height_not_moved" not in said(moved, armed=armed)


def test_a_lift_at_launch_that_is_no_rest() -> None:
    text = said(nose(310), launch=np.arange(N) >= 900)["lift_at_launch"]
    assert text.startswith("LAUNCH 1: THE LIFT WAS ")
    assert "which is no rest" in text
    assert "lift_at_launch" not in said(nose(310))


@pytest.mark.parametrize(("wander", "told"), [(6.0, True), (2.0, False)])
def test_noise_that_is_too_small_for_what_the_still_car_did(wander: float, told: bool) -> None:
    # nine tenths of an even share of 6 mm lie within 5.4 mm; noise_mm is 3
    remarks = said(still(wander), launch=np.arange(N) >= 1500)
    assert ("noise_too_small" in remarks) is told
    if told:
        text = remarks["noise_too_small"]
        assert text.startswith("Launch 1: the car stood still for 1.4 s and the height wandered by 5.")
        assert text.endswith("noise_mm = 3 is too small.")


def test_a_rolling_car_tells_nothing_of_the_noise() -> None:
    assert "noise_too_small" not in said(still(6.0), launch=np.arange(N) >= 1500, speed=30)


def test_what_the_controller_believed_is_no_fact() -> None:
    """Up to the end of the range, and from one reading to the next 200 mm lower: no nose falls so."""
    counts = nose(350)
    counts[1250:2000] = round(250 * 4095 / 500)
    text = said(counts)["out_of_sight"]
    assert text.startswith("The controller held the nose for out of sight for 2.750 s, from 1.05 s on")
    assert "although the recording reads heights in range for 100 % of it" in text
