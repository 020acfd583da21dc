"""What a calibration file compiles to, its image, its units, its warnings, and how it is written back."""

from __future__ import annotations

import binascii
import hashlib
import math
from fractions import Fraction
from pathlib import Path

import crcmod.predefined
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bench.calibration import CalibrationFile, CalibrationMistakes, compile_text, load, save
from bench.calibration.command import calibration
from bench.calibration.image import pack, unpack
from bench.calibration.quantity import nearest
from bench.errors import UserError
from controller import Controller
from controller.constants import (
    IMAGE_CRC,
    IMAGE_LENGTH,
    IMAGE_MAGIC,
    IMAGE_ORDER,
    IMAGE_RANGE,
    IMAGE_VERSION_OTHER,
)
from controller.fixed import crc32
from controller.image import FIELDS, HEADER_BYTES, LENGTH, Calibration, image_crc, read
from tests import ROOT
from tests.bench.calibration.test_calibration_mistakes import DEMO, MAPS, swap, with_maps
from tests.support import values

DEMO_PATH = ROOT / "traces" / "plain.toml"


def changed(*pairs: tuple[str, str], text: str = DEMO) -> CalibrationFile:
    """The demo calibration with some lines changed."""
    for there, put in pairs:
        text = swap(text, there, put)
    return compile_text(text, "car.toml")


# -- the image


def test_crc_is_the_published_one() -> None:
    # Check value of CRC-32/ISO-HDLC: G. Cook, Catalogue of Parametrised CRC Algorithms.
    crc = 0xFFFFFFFF
    for byte in b"123456789":
        crc = crc32(crc, byte)
    assert crc ^ 0xFFFFFFFF == 0xCBF43926


@settings(max_examples=30, deadline=None)
@given(st.binary(min_size=HEADER_BYTES, max_size=200))
def test_crc_agrees_with_two_libraries(image: bytes) -> None:
    # Outside checks: binascii (zlib) and crcmod.
    body = image[HEADER_BYTES:]
    assert image_crc(image) == binascii.crc32(body)
    assert image_crc(image) == crcmod.predefined.mkCrcFun("crc-32")(body)


def test_the_image_of_a_file_is_what_the_controller_reads() -> None:
    cal = load(DEMO_PATH)
    read_back = unpack(cal.image)
    for name, _, count, _, _ in FIELDS:
        value = cal.values[name]
        if isinstance(value, list):
            value = value + [0] * (count - len(value))
        assert read_back[name] == value, name
    assert pack(read_back) == cal.image
    assert Controller().load(cal.image) == 0
    assert cal.crc == binascii.crc32(cal.image[HEADER_BYTES:])
    assert cal.digest == hashlib.sha256(DEMO_PATH.read_bytes()).hexdigest()
    assert len(cal.image) == LENGTH
    assert (
        sum({"I": 4, "H": 2, "h": 2}[code] * count for _, code, count, _, _ in FIELDS) + HEADER_BYTES
        == LENGTH
    )


@pytest.mark.rule("I1")
@settings(max_examples=60, deadline=None)
@given(st.integers(0, LENGTH * 8 - 1))
@example(0)
@example(LENGTH * 8 - 1)
def test_a_flipped_bit_is_refused_and_the_active_image_stays(bit: int) -> None:
    image = bytearray(pack(values()))
    made = Controller()
    assert made.load(bytes(image)) == 0
    before = made.digest()
    image[bit // 8] ^= 1 << bit % 8
    byte = bit // 8
    if byte < 4:
        wanted = IMAGE_MAGIC
    elif byte < 6:
        wanted = IMAGE_VERSION_OTHER
    elif byte < 8:
        wanted = IMAGE_LENGTH
    else:
        wanted = IMAGE_CRC
    assert made.load(bytes(image)) == wanted
    assert made.digest() == before
    assert made.load(pack(values())) == 0


@settings(max_examples=30, deadline=None)
@given(st.integers(0, LENGTH + 100).filter(lambda size: size != LENGTH))
def test_a_wrong_length_is_refused(size: int) -> None:
    image = (pack(values()) + bytes(100))[:size]
    assert read(image, Calibration()) == (IMAGE_LENGTH if size >= HEADER_BYTES else IMAGE_MAGIC)


@pytest.mark.parametrize("version", [0, 1, 3, 65535])
def test_another_version_is_refused(version: int) -> None:
    image = pack(values())
    other = image[:4] + version.to_bytes(2, "little") + image[6:]
    assert read(other, Calibration()) == IMAGE_VERSION_OTHER
    with pytest.raises(ValueError, match="its format is not 2; compile its calibration file anew"):
        unpack(other)


@pytest.mark.rule("I1")
@pytest.mark.parametrize(
    ("name", "value", "verdict"),
    [
        ("tick_us", 499, IMAGE_RANGE),
        ("reduction_limit", 1001, IMAGE_RANGE),
        ("rest", 8001, IMAGE_ORDER),
        ("hold_ticks", 3001, IMAGE_ORDER),
        ("window_low", 4055, IMAGE_ORDER),
        ("median_samples", 2, IMAGE_ORDER),
        ("firing_order", [1, 8, 4, 3, 6, 5, 7, 7], IMAGE_ORDER),
        ("lift_axis", [960, 1600, 1600, 4800], IMAGE_ORDER),
    ],
)
def test_an_illegal_value_is_refused_though_the_crc_is_right(name: str, value: int, verdict: int) -> None:
    assert read(pack(values(**{name: value})), Calibration()) == verdict


_SINGLE = [field for field in FIELDS if field[2] == 1]


@settings(max_examples=60, deadline=None)
@given(st.fixed_dictionaries({name: st.integers(least, most) for name, _, _, least, most in _SINGLE}))
def test_every_legal_value_comes_back_from_the_image(single: dict[str, int]) -> None:
    body = pack(values(**single))
    verdict = read(body, Calibration())
    assert verdict in (0, IMAGE_ORDER)
    if verdict == 0:
        assert {name: unpack(body)[name] for name in single} == single


# -- what values compile to


def test_rounding_is_half_away_from_zero() -> None:
    halves = [Fraction(n, 2) for n in range(-7, 8)]
    assert [nearest(x) for x in halves] == [-4, -3, -3, -2, -2, -1, -1, 0, 1, 1, 2, 2, 3, 3, 4]


def test_times_lengths_and_rates_in_the_units_of_the_controller() -> None:
    v = changed(
        ("tick_ms = 1", "tick_ms = 2"),
        ("period_ms = 1", "period_ms = 10"),
        ("near_end_mm = 25", "near_end_mm = 160"),
        ('release = "step"', "release_percent_per_s = 200"),
        ("rising_ms = 0", "rising_ms = 400"),
    ).values
    assert v["tick_us"] == 2000
    assert v["hold_ticks"] == 150
    assert v["fault_hold_ticks"] == 1500
    assert v["sample_ticks"] == 5
    assert v["confirm_samples"] == 2
    assert v["heal_samples"] == 5
    assert v["rest"] == 130 * 16
    assert v["allowance"] == 3 * 16
    assert v["allowance_rate"] == 2 * 5 * 16  # a tick of 2 ms at 5 mm/ms
    assert v["gain_q12"] == round(0.883 * 4096)
    assert v["release_q16"] == 200 * 10 * 65536 * 2 // 1000
    assert v["progress_up_q12"] == round(150 * 10 * 4096 * 0.002)
    assert v["look_speed_q12"] == 1000 * 4096 // (16 * 10)  # 1/16 mm in 10 ms is 6.25 mm/s
    assert v["look_rising_q12"] == 26214  # 400 ms: the largest legal value
    assert v["event_bits"] == 3
    assert v["sensor_counts"] == [0, 4095]
    assert v["sensor_height"] == [0, 8000]


@pytest.mark.parametrize(("tau", "period"), [(4, 1), (20, 1), (4, 2), (1000, 1), (30, 10)])
def test_time_constants_are_those_of_the_sampled_filter(tau: int, period: int) -> None:
    cal = changed(
        ("time_constant_ms = 4", f"time_constant_ms = {tau}"),
        ("period_ms = 1", f"period_ms = {period}"),
        ("near_end_mm = 25", "near_end_mm = 160"),
    )
    factor = cal.number("lowpass_q12") / 4096
    # The unit step of a first-order system: 0.632, 0.865, 0.950 after 1, 2, 3 time constants (M. Kutz, ed.,
    # Mechanical Engineers' Handbook, vol. 2, p. 333, table 6; the editor from memory, the edition not noted).
    for constants, reached in ((1, 0.632), (2, 0.865), (3, 0.950)):
        left = (1 - factor) ** (constants * tau / period)
        # 1/8192 of rounding in the factor moves the answer by at most samples * left / 8192.
        slack = constants * tau / period / 8192 + 0.0005
        assert abs(1 - left - reached) <= slack


def test_a_filter_of_time_zero_is_off() -> None:
    assert changed(("time_constant_ms = 4", "time_constant_ms = 0")).values["lowpass_q12"] == 4096


def test_progress_by_time() -> None:
    text = DEMO.replace("[ceilings]\nspeed_kmh = [0, 80, 160, 250]", "[ceilings]\nelapsed_s = [0, 1, 2.5, 5]")
    start, rest = text.split('by = "speed"')
    text = start + 'by = "time"\n[ceilings]' + rest.split("[ceilings]", 1)[1]
    cal = compile_text(text, "car.toml")
    assert cal.progress_unit == "ms"
    assert {0, 1000, 2500, 5000} <= set(cal.row("progress_axis"))
    assert cal.ceilings.progress.tolist() == [0, 1000, 2500, 5000]
    assert cal.values["run_points"] == 1


def test_front_wheel_speed_needs_to_know_when_the_wheel_is_in_the_air() -> None:
    with pytest.raises(CalibrationMistakes, match=r"progress.air: section is missing"):
        changed(('speed_from = "car"', 'speed_from = "front_wheel"'))
    air = 'speed_from = "front_wheel"\n[progress.air]\nlift_mm = 90\nlookback_ms = 160\n'
    rest = "[progress.expected]"
    text = swap(DEMO, 'speed_from = "car"', 'speed_from = "front_wheel"')
    text = text.replace(rest, air.split("\n", 1)[1] + rest)
    cal = compile_text(text, "car.toml")
    assert cal.values["air_lift"] == 90 * 16
    assert cal.values["lookback_ticks"] == 10  # of each of sixteen slots
    assert cal.values["spin_up_ticks"] == 200
    assert not cal.warnings
    unused = compile_text(text.replace('"front_wheel"', '"car"'), "car.toml")
    assert any("[progress.air] is not used" in warning for warning in unused.warnings)


def test_defaults_are_shown_as_defaults() -> None:
    shown = {(entry.section, entry.key): entry for entry in load(DEMO_PATH).shown}
    assert not shown["look_ahead", "time_constant_ms"].given
    assert shown["latch", "hold_ms"].given
    assert shown["latch", "hold_ms"].text == "300 ms"


def test_a_value_that_rounding_moves_by_more_than_a_percent_is_told() -> None:
    said = changed(("confirm_ms = 20", "confirm_us = 20400")).warnings
    assert said == [
        "line 30: sensor.confirm_us: 20400 us becomes 20000 us, the nearest step of the controller"
    ]
    assert changed(("confirm_ms = 20", "confirm_us = 20100")).warnings == []


def test_times_of_less_than_a_sample_become_one_where_none_would_be_senseless() -> None:
    with pytest.raises(CalibrationMistakes, match=r"sensor\.confirm_us: 400 us is too small; 1000 us to"):
        changed(("confirm_ms = 20", "confirm_us = 400"))
    assert changed(("confirm_ms = 20", "confirm_us = 600")).values["confirm_samples"] == 1


# -- units: each pair says the same thing, so the images are equal


@pytest.mark.parametrize(
    ("there", "one", "other"),
    [
        # 1 in = 25.4 mm, 1 ft = 304.8 mm and 1 mile = 1609.344 m by definition
        # (international yard and pound agreement, 1959).
        ("rest_height_mm = 130", "rest_height_mm = 127", "rest_height_in = 5"),
        ("rest_height_mm = 130", "rest_height_mm = 152.4", "rest_height_ft = 0.5"),
        ("rest_height_mm = 130", "rest_height_cm = 13", "rest_height_m = 0.13"),
        ("curve_height_mm = [0, 500]", "curve_height_mm = [0, 508]", "curve_height_in = [0, 20]"),
        ("hold_ms = 300", "hold_s = 0.3", "hold_us = 300000"),
        ("largest_step_kmh = 20", "largest_step_kmh = 16.09344", "largest_step_mph = 10"),
        ("largest_step_kmh = 20", "largest_step_kmh = 18", "largest_step_mps = 5"),
        ("largest_step_kmh = 20", "largest_step_kmh = 21.9456", "largest_step_fps = 20"),
        (
            "speed_kmh = [0, 80, 160, 250]",
            "speed_kmh = [0, 80.4672, 160.9344, 241.4016]",
            "speed_mph = [0, 50, 100, 150]",
        ),
        ("fastest_mm_per_ms = 5", "fastest_m_per_s = 4", "fastest_kmh = 14.4"),
        ("fastest_mm_per_ms = 5", "fastest_mm_per_ms = 5.08", "fastest_in_per_ms = 0.2"),
        ("rise_kmh_per_s = 150", "rise_kmh_per_s = 144", "rise_mps_per_s = 40"),
        ("trigger_percent = 2", "trigger_percent = 2.5", "trigger_permille = 25"),
        ("window_counts = [40, 4055]", "window_counts = [41, 4014]", "window_v = [0.05, 4.90]"),
        ("window_counts = [40, 4055]", "window_v = [0.05, 4.90]", "window_mv = [50, 4900]"),
        ("axle_gain = 0.883", "axle_gain = 1", "axle_gain = 1.0"),
    ],
)
def test_units_say_the_same(there: str, one: str, other: str) -> None:
    first, second = changed((there, one)), changed((there, other))
    assert first.image == second.image
    if one.partition(" ")[2] != "= 130":
        assert first.image != load(DEMO_PATH).image or one.startswith(("rest_height_cm", "hold_s"))


@settings(max_examples=40, deadline=None)
@given(st.decimals("2", "9", places=3))
def test_inches_are_exact(inches: float) -> None:
    # Half a step away from a boundary as well: the exact value decides, not a float near it.
    exact = Fraction(str(inches)) * Fraction(254, 10) * 16
    cal = changed(("rest_height_mm = 130", f"rest_height_in = {inches}"))
    assert cal.values["rest"] == math.floor(exact + Fraction(1, 2))


# -- physical views


def test_counts_volts_and_heights() -> None:
    cal = load(DEMO_PATH)
    assert cal.tick_us == 1000
    assert cal.progress_unit == "km/h"
    assert cal.height_to_counts([0, 250, 500, 600, -1]).tolist() == [0, 2047.5, 4095, 4095, 0]
    assert cal.counts_to_height(np.array([0, 4095])).tolist() == [0, 500]
    # Ideal converter, 12 bits over 5 V: a step of 1.220703 mV (5/4096 V).
    assert cal.volts_to_counts(0.001220703125).item() == 1.0
    assert cal.volts_to_counts([2.5]).tolist() == [2048]
    assert cal.lift_of_height_mm(130).item() == 0
    assert cal.lift_of_height_mm([230]).item() == pytest.approx(100 * 0.883, abs=0.02)
    assert cal.far_lift_mm == pytest.approx(370 * 0.883, abs=0.1)


def test_a_sensor_whose_reading_falls_with_height() -> None:
    cal = changed(("curve_height_mm = [0, 500]", "curve_height_mm = [500, 0]"))
    assert cal.height_to_counts([0, 125, 500]).tolist() == [4095, 3071.25, 0]
    assert cal.counts_to_height([4095, 0]).tolist() == [0, 500]


def test_volts_need_a_reference() -> None:
    pairs = (("curve_v = [0.0, 5.0]", "curve_counts = [0, 4095]"), ("reference_v = 5.0", ""))
    cal = changed(*pairs)
    assert cal.height_to_counts(250).item() == 2047.5
    with pytest.raises(UserError, match="add reference_v"):
        cal.volts_to_counts(1.0)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 4095), min_size=1, max_size=20))
def test_heights_and_counts_are_each_others_inverse(counts: list[int]) -> None:
    cal = changed(
        ("curve_v = [0.0, 5.0]", "curve_counts = [0, 1000, 3000, 4095]"),
        ("curve_height_mm = [0, 500]", "curve_height_mm = [0, 200, 400, 500]"),
    )
    assert cal.height_to_counts(cal.counts_to_height(counts)).tolist() == pytest.approx(counts, abs=1e-6)


# -- warnings


@pytest.mark.rule("M3")
def test_the_demo_calibration_has_nothing_to_warn_of() -> None:
    cal = load(DEMO_PATH)
    assert cal.warnings == []
    assert cal.notes == []


@pytest.mark.rule("M3")
@pytest.mark.parametrize(
    ("there", "put", "words"),
    [
        ("    [60, 60],", "    [60, 30],", "at 100 km/h the reduction falls from 40 % to 30 %"),
        (
            "    [60, 60],",
            "    [20, 60],",
            "at 0 km/h the last lift asks for 20 %, less than the greatest 30 %",
        ),
        (
            "    [60, 60],",
            "    [60, 80],",
            "limits.reduction (75 %) is below the greatest reduction asked for (80 %)",
        ),
        ("    [12, 12],", "    [12, 16],", "limits.retard (15 degrees) is below the greatest retard"),
        (
            "lift_mm = [100, 200, 300]",
            "lift_mm = [100, 200, 400]",
            "ends at a lift of 326.7 mm, below the 400 mm",
        ),
        (
            "lift_mm = [100, 200, 300]",
            "lift_in = [2, 8, 12]",
            "reduction begins at a lift of 2 in at 0 km/h, but the",
        ),
        ("lift_mm = [100, 200, 300]", "lift_mm = [60, 200, 300]", "retard begins at a lift of 60 mm"),
    ],
)
def test_warnings_about_maps(there: str, put: str, words: str) -> None:
    assert MAPS.count(there) == 1
    assert compile_text(with_maps(), "car.toml").warnings == []
    warnings = compile_text(with_maps(MAPS.replace(there, put)), "car.toml").warnings
    assert any(words in warning for warning in warnings), warnings


@pytest.mark.rule("M3")
def test_warnings_about_ceilings() -> None:
    low = changed(("droop_mm = 70", "droop_mm = 120"))
    assert low.warnings == [
        "retard begins at a lift of 110 mm at 250 km/h, but the body rises 120 mm on its suspension with the "
        "wheels on the ground"
    ]
    high = changed(("reduction_full_mm = [320, 290, 240, 205]", "reduction_full_mm = [340, 290, 240, 205]"))
    assert any("below the 340 mm of full reduction at 0 km/h" in warning for warning in high.warnings)


@pytest.mark.rule("M3")
def test_without_the_droop_the_check_is_said_to_be_left_out() -> None:
    cal = changed(("droop_mm = 70", ""))
    assert cal.warnings == []
    assert "car.droop_mm is not given" in cal.notes[0]


def test_ceilings_read_off_maps() -> None:
    cal = compile_text(with_maps(), "car.toml")
    ceilings = cal.ceilings
    assert ceilings.progress.tolist() == [0, 100]
    assert ceilings.reduction_from.tolist() == [100, 100]
    assert ceilings.full.tolist() == [300, 300]


# -- written back


def test_saving_nothing_changes_nothing() -> None:
    assert save(load(DEMO_PATH), {}) == DEMO


def test_saving_keeps_every_comment_and_every_other_line() -> None:
    changes = {
        "latch.hold_ms": 250,
        "latch.retard.follows_map": True,
        "ceilings.reduction_from_mm": [190.5, 180, 160, 140],
        "latch.hold_from": "landing",
    }
    text = save(load(DEMO_PATH), changes)
    before, after = DEMO.splitlines(), text.splitlines()
    assert len(before) == len(after)
    different = [(old, new) for old, new in zip(before, after, strict=True) if old != new]
    assert len(different) == len(changes)
    for old, new in different:
        assert old.partition("#")[2] == new.partition("#")[2]
    cal = compile_text(text, "car.toml")
    assert cal.values["hold_ticks"] == 250
    assert cal.values["retard_follows"] == 1
    assert cal.values["hold_from"] == 1
    assert cal.ceilings.reduction_from.tolist() == [190.5, 180, 160, 140]


def test_saving_maps_and_new_sections() -> None:
    cal = compile_text(with_maps(), "car.toml")
    rows = [[0, 0], [25, 35], [55, 60]]
    learn = {"window_ms": 500, "spread_mm": 4, "tolerance_mm": 20}
    changes = {"maps.reduction_percent": rows} | {
        f"sensor.learn.{key}": value for key, value in learn.items()
    }
    text = save(cal, changes)
    made = compile_text(text, "car.toml")
    assert made.map_cells("reduction_map").tolist() == [[0, 0], [250, 350], [550, 600]]
    assert made.values["learn_window"] == 500
    assert "# a comment, with [brackets]" in text


def test_saving_keeps_the_unit_of_the_file() -> None:
    cal = changed(("hold_ms = 300", "hold_s = 0.3 # hold"), ("rest_height_mm = 130", "rest_height_in = 5"))
    text = save(cal, {"latch.hold_ms": 250, "sensor.rest_height_mm": 152.4})
    assert "hold_s = 0.25 # hold" in text
    assert "rest_height_in = 6" in text
    assert compile_text(text, "car.toml").values["hold_ticks"] == 250


def test_saving_into_a_section_that_is_split_in_the_file() -> None:
    # [progress.expected] stands after [ceilings], far from [progress].
    head, rest = DEMO.split("[progress.expected]\n")
    curve, rest = rest.split("[ceilings]\n")
    end = rest.index("[latch]\n")
    text = head + "[ceilings]\n" + rest[:end] + "[progress.expected]\n" + curve + rest[end:]
    cal = compile_text(text, "car.toml")
    assert cal.image == load(DEMO_PATH).image
    made = save(
        cal, {"progress.largest_step_kmh": 15, "progress.expected.elapsed_ms": list(range(0, 800, 100))}
    )
    assert compile_text(made, "car.toml").values["speed_step"] == 150
    assert compile_text(made, "car.toml").values["run_ms"] == list(range(0, 800, 100))
    assert made.count("#") == text.count("#")


def test_saving_something_wrong_is_refused() -> None:
    with pytest.raises(CalibrationMistakes, match=r"latch\.hold_ms: -1 ms is too small"):
        save(load(DEMO_PATH), {"latch.hold_ms": -1})


# -- the command


def run(*arguments: str | Path) -> tuple[int, str]:
    done = CliRunner().invoke(calibration, [str(a) for a in arguments], catch_exceptions=False)
    return done.exit_code, done.output


def test_check_says_that_all_is_fine() -> None:
    code, output = run("check", DEMO_PATH)
    cal = load(DEMO_PATH)
    assert code == 0
    assert output == f"{DEMO_PATH}: fine, image of {LENGTH} bytes, CRC-32 {cal.crc:08X}\n"


def test_check_prints_warnings_and_still_succeeds(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_text(swap(DEMO, "droop_mm = 70", "droop_mm = 150"), encoding="utf-8")
    code, output = run("check", path)
    assert code == 0
    assert " ".join(output.split()).count("warning: ") == 2
    assert "fine" not in output


def test_show_fits_a_terminal_and_keeps_the_units(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    text = swap(DEMO, "rest_height_mm = 130", "rest_height_in = 5.125")
    text = text.replace("[ceilings]\nspeed_kmh = [0, 80,", "[ceilings]\nspeed_mph = [0, 50,")
    path.write_text(text, encoding="utf-8")
    code, output = run("show", path)
    assert code == 0
    assert max(len(line) for line in output.splitlines()[:-1]) <= 80
    assert "5.125 in" in output
    assert "0, 50, 160, 250 mph" in output
    assert "lift mm \\ mph" in output
    assert "Largest difference: " in " ".join(output.split())
    assert "[look_ahead]" in output


def test_compile_writes_the_image(tmp_path: Path) -> None:
    out = tmp_path / "car.bin"
    code, output = run("compile", DEMO_PATH, "--out", out)
    assert code == 0
    assert "written" in output
    assert out.read_bytes() == load(DEMO_PATH).image


def test_compile_leaves_an_old_image_when_the_file_is_wrong(tmp_path: Path) -> None:
    path, out = tmp_path / "car.toml", tmp_path / "car.bin"
    path.write_text(swap(DEMO, "hold_ms = 300", "hold_ms = -1"), encoding="utf-8")
    out.write_bytes(b"old")
    with pytest.raises(CalibrationMistakes):
        run("compile", path, "--out", out)
    assert out.read_bytes() == b"old"
    assert sorted(tmp_path.iterdir()) == [out, path]


def test_compile_replaces_images_only(tmp_path: Path) -> None:
    path, out = tmp_path / "car.toml", tmp_path / "car.bin"
    path.write_text(DEMO, encoding="utf-8")
    out.write_bytes(load(DEMO_PATH).image[:100])
    with pytest.raises(UserError, match="replace it with --replace"):
        run("compile", path, "--out", out)
    assert out.read_bytes() == load(DEMO_PATH).image[:100]
    assert run("compile", path, "--out", out, "--replace")[0] == 0
    assert out.read_bytes() == load(path).image
    assert run("compile", path, "--out", out)[0] == 0  # the same once more
    with pytest.raises(UserError, match="is no image"):
        run("compile", path, "--out", path, "--replace")
    assert path.read_text(encoding="utf-8") == DEMO


def test_what_a_device_does_without_inputs_is_compiled_and_has_defaults() -> None:
    v = changed(
        ("stall_ms = 250", "stall_s = 0.4"),
        ("safe_reduction_percent = 100", "safe_reduction_percent = 62.5"),
        ("safe_retard_deg = 0", "safe_retard_deg = 3"),
    ).values
    assert (v["stall_ms"], v["safe_reduction"], v["safe_retard"]) == (400, 625, 30)
    v = compile_text(DEMO.split("[link]")[0], "car.toml").values
    assert (v["stall_ms"], v["safe_reduction"], v["safe_retard"]) == (250, 1000, 0)
