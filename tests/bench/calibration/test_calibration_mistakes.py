"""Every mistake in a calibration file is one line: file, line, key, what is wrong, what would be right."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bench.calibration import CalibrationMistakes, compile_text, load
from bench.calibration.lines import find_lines
from bench.calibration.reader import SIZE_LIMIT
from bench.compare.changes import changes
from bench.errors import UserError
from bench.trace.read import read_trace
from bench.vehicle.vehicle_file import load as load_car
from tests import ROOT

DEMO = (ROOT / "traces" / "plain.toml").read_text(encoding="utf-8")
LINE = re.compile(r"car\.toml:(\d+): (?:([^:]*): )?([^;]+); (.+)")

MAPS = """\
[maps]
lift_mm = [100, 200, 300]
speed_kmh = [0, 100]
reduction_percent = [
    [0, 0],
    [30, 40],
    [60, 60],
]
retard_deg = [
    [0, 0],  # a comment, with [brackets]
    [6, 8],
    [12, 12],
]
"""


def with_maps(maps: str = MAPS) -> str:
    """The demo calibration with maps in the place of its ceilings."""
    start, rest = DEMO.split("[ceilings]\n")
    return start + maps + "\n[latch]\n" + rest.split("[latch]\n", 1)[1]


def mistakes(text: str) -> list[tuple[int, str, str, str]]:
    """Line, key, what is wrong and what would be right of each mistake."""
    with pytest.raises(CalibrationMistakes) as caught:
        compile_text(text, "car.toml")
    found = []
    for line in str(caught.value).splitlines():
        match = LINE.fullmatch(line)
        assert match, line
        found.append((int(match[1]), match[2] or "", match[3], match[4]))
    return found


def swap(text: str, there: str, put: str) -> str:
    """The text with the one line that begins so changed."""
    made, count = re.subn(rf"(?m)^{re.escape(there)}(?![\w.])", lambda _: put, text)
    assert count == 1, there
    return made


def line_of(text: str, part: str) -> int:
    assert text.count(part) == 1, part
    return text[: text.index(part)].count("\n") + 1


HOLD_LINE = line_of(DEMO, "\nhold_ms = 300 ") + 1

# what stands in the demo file, what is put there, the key, words of what is wrong, of what would be right
ONE_MISTAKE = [
    # numbers
    ("hold_ms = 300", "hold_ms = -5", "latch.hold_ms", "-5 ms is too small", "0 ms to"),
    ("hold_ms = 300", 'hold_ms = "long"', "latch.hold_ms", '"long" is not a number', "a number"),
    ("hold_ms = 300", "hold_ms = true", "latch.hold_ms", "true is not a number", "a number"),
    ("hold_ms = 300", "hold_ms = nan", "latch.hold_ms", "is not a number a calibration can have", "a number"),
    (
        "hold_ms = 300",
        "hold_ms = -inf",
        "latch.hold_ms",
        "is not a number a calibration can have",
        "a number",
    ),
    ("hold_ms = 300", "hold_ms = 1e400", "latch.hold_ms", "is not a number a calibration can have", ""),
    ("hold_ms = 300", "hold_ms = [300]", "latch.hold_ms", "a list is not a number", "a number"),
    ("hold_ms = 300", "hold_ms = {a = 1}", "latch.hold_ms", "a section is not a number", "a number"),
    ("hold_ms = 300", "hold_ms = 2025-01-01", "latch.hold_ms", "a date or time is not a number", "a number"),
    ("count = 8", "count = 8.5", "cylinders.count", "8.5 is wrong", "a whole number, 1 to 12"),
    ("count = 8", "count = 13", "cylinders.count", "13 is wrong", "1 to 12"),
    ("tick_ms = 1", "tick_ms = 0.1", "tick.tick_ms", "0.1 ms is too small", "0.5 ms to 10 ms"),
    (
        "greatest_reduction_percent = 60",
        "greatest_reduction_percent = 101",
        "ceilings.greatest_reduction_percent",
        "101 % is too large",
        "0 % to 100 %",
    ),
    (
        "reduction_percent = 75",
        "reduction_permille = 1001",
        "limits.reduction_permille",
        "too large",
        "1000 permille",
    ),
    (
        "reduction_percent = [0, 15, 50]",
        "reduction_percent = [0, 15, 150]",
        "engine_ceiling.reduction_percent value 3",
        "150 % is too large",
        "0 % to 100 %",
    ),
    ("axle_gain = 0.883", "axle_gain = 20", "sensor.axle_gain", "20 is too large", "to 16"),
    ("rising_ms = 0", "rising_s = 0.5", "look_ahead.rising_s", "0.5 s is too large", "0 s to 0.4 s"),
    # units and names
    ("hold_ms = 300", "hold_mm = 300", "latch.hold_mm", "is a length, but hold is a time", "hold_ms"),
    ("hold_ms = 300", "hold = 300", "latch.hold", "names no unit", "hold_ms"),
    ("hold_ms = 300", "hodl_ms = 300", "latch.hodl_ms", "unknown key", "hold_ms is the nearest known one"),
    ("hold_ms = 300", "hold_ms = 300\nhold_s = 0.3", "latch.hold_s", "unit clash: hold_ms", "one of the two"),
    ("count = 8", "count_mm = 8", "cylinders.count_mm", "takes no unit", "count"),
    ("[latch.retard]", "[latch.retrad]", "latch.retard", "section is missing", "add [latch.retard]"),
    ("[arming]", "[armign]", "armign", "unknown section", "[arming] is the nearest known one"),
    ("droop_mm = 70", "droop_mm = 70\ncolour = 1", "car.colour", "unknown key", ""),
    ("[car]", "colour = 1\n[car]", "colour", "is not in a section", "one of [arming], [car]"),
    ("[limits]", "[limits.deep]\n[limits]", "limits.deep", "unknown key", "reduction_percent"),
    # what is missing
    ("hold_ms = 300", "", "latch.hold_ms", "is missing", "add it"),
    ('release = "step"', "", "latch.release", "is missing", 'release = "step" or release_percent_per_s'),
    ("rest_height_mm = 130", "", "sensor.rest_height_mm", "is missing", "add it"),
    ("reference_v = 5.0", "", "sensor.reference_v", "is missing", "add it"),
    ('by = "speed"', "", "progress.by", "is missing", 'by = "speed" or "time"'),
    # words
    (
        'hold_from = "peak"',
        'hold_from = "top"',
        "latch.hold_from",
        '"top" is not known',
        '"peak" or "landing"',
    ),
    (
        "follows_map = false",
        "follows_map = 0",
        "latch.retard.follows_map",
        "not a yes or no",
        "true or false",
    ),
    (
        'release = "step"',
        "release = 5",
        "latch.release",
        "the number is not known",
        '"step" or release_percent_per_s',
    ),
    (
        'release = "step"',
        'release = "step"\nrelease_percent_per_s = 100',
        "latch.release",
        "clash",
        "one of the two",
    ),
    ('name = "Invented eighth-mile car"', "name = 5", "car.name", "is not text", "quotes"),
    # rates that would never end
    (
        'release = "step"',
        "release_percent_per_s = 0",
        "latch.release_percent_per_s",
        "would never end",
        "at least",
    ),
    (
        'release = "step"',
        "release_percent_per_s = 0.0005",
        "latch.release_percent_per_s",
        "would never end",
        "",
    ),
    (
        "release_percent_per_s = 50",
        "release_percent_per_s = 0",
        "fault.release_percent_per_s",
        "too small",
        "",
    ),
    ("rise_kmh_per_s = 150", "rise_kmh_per_s = 0", "progress.rise_kmh_per_s", "0 km/h/s is too small", ""),
    # the sensor
    (
        "rest_height_mm = 130",
        "rest_height_mm = 600",
        "sensor.rest_height_mm",
        "outside the sensor's range",
        "5 mm to 495",
    ),
    (
        "rest_height_mm = 130",
        "rest_height_mm = 2",
        "sensor.rest_height_mm",
        "outside the sensor's range",
        "5 mm to 495",
    ),
    (
        "curve_v = [0.0, 5.0]",
        "curve_v = [5.0, 0.0]",
        "sensor.curve_v value 2",
        "0 V does not rise from 5 V",
        "apart",
    ),
    ("curve_v = [0.0, 5.0]", "curve_v = [0.0]", "sensor.curve_v", "has 1 value", "2 to 8 values"),
    (
        "curve_v = [0.0, 5.0]",
        "curve_v = [0.0, 2.0, 5.0]",
        "sensor.curve_height_mm",
        "has 2 values",
        "3, one for each of curve_v",
    ),
    (
        "curve_v = [0.0, 5.0]",
        "curve_v = [0.0, 6.0]",
        "sensor.curve_v",
        "6 V is more than adc_max_counts",
        "4095",
    ),
    ("curve_v = [0.0, 5.0]", "curve_v = 5", "sensor.curve_v", "the number is not a list", "[ ... ]"),
    (
        "curve_height_mm = [0, 500]",
        "curve_height_mm = [500, 500]",
        "sensor.curve_height_mm value 2",
        "turns back",
        "only rise or only fall",
    ),
    (
        "curve_height_mm = [0, 500]",
        "curve_height_m = [0, 2.1]",
        "sensor.curve_height_m value 2",
        "too large",
        "",
    ),
    (
        "window_counts = [40, 4055]",
        "window_counts = [0, 4095]",
        "sensor.window_counts",
        "leaves no count outside",
        "for example [40, 4055]",
    ),
    (
        "window_counts = [40, 4055]",
        "window_counts = [400, 400]",
        "sensor.window_counts",
        "is empty",
        "lower end first",
    ),
    (
        "window_counts = [40, 4055]",
        "window_counts = [40, 5000]",
        "sensor.window_counts",
        "above adc_max_counts",
        "",
    ),
    ("near_end_mm = 25", "near_end_mm = 15", "sensor.near_end_mm", "fewer than 3 samples", "at least 20 mm"),
    ("near_end_mm = 25", "near_end_mm = 500", "sensor.near_end_mm", "whole range", "20 mm or little more"),
    ("agree_samples = 3", "agree_samples = 1", "sensor.agree_samples", "1 is wrong", "2 to 16"),
    ("median_samples = 3", "median_samples = 4", "filter.median_samples", "4 has no middle", "1, 3 or 5"),
    (
        "time_constant_ms = 4",
        "time_constant_ms = -1",
        "filter.time_constant_ms",
        "-1 ms is below 0",
        "0 (off) or more",
    ),
    ("time_constant_ms = 4", "time_constant_s = 9", "filter.time_constant_s", "9 s is too large", "8.192 s"),
    # ceilings and curves
    (
        "speed_kmh = [0, 80, 160, 250]",
        "speed_kmh = [0, 80, 80, 250]",
        "ceilings.speed_kmh value 3",
        "80 km/h does not rise from 80 km/h",
        "at least 0.1 km/h apart",
    ),
    (
        "speed_kmh = [0, 80, 160, 250]",
        "speed_kmh = [0, 80.01, 80.02, 250]",
        "ceilings.speed_kmh value 3",
        "80.02 km/h does not rise from 80.01 km/h",
        "0.1 km/h",
    ),
    (
        "retard_from_mm = [150, 140, 125, 110]",
        "retard_from_mm = [150, 140]",
        "ceilings.retard_from_mm",
        "has 2 values",
        "4, one for each of speed_kmh",
    ),
    (
        "reduction_from_mm = [200, 185, 160, 140]",
        "reduction_from_mm = [200, 185, 240, 140]",
        "ceilings.reduction_from_mm value 3",
        "240 mm is too high",
        "below reduction_full there, 240 mm",
    ),
    (
        "largest_difference_percent = 7",
        "largest_difference_percent = 1",
        "ceilings.largest_difference_percent",
        "16 by 16 map points do not follow",
        "at least 6.3 %",
    ),
    (
        "speed_rpm = [6500, 6500, 6800, 9000]",
        "speed_rpm = [6500]",
        "engine_ceiling.speed_rpm",
        "has 1 value",
        "4, one for each of elapsed_ms",
    ),
    (
        "elapsed_ms = [0, 400, 1200, 2500]",
        f"elapsed_ms = {list(range(17))}",
        "engine_ceiling.elapsed_ms",
        "has 17 values",
        "1 to 16 values",
    ),
    # latch, faults, cylinders
    (
        "trigger_deg = 1",
        "trigger_deg = 0.2",
        "latch.retard.trigger_hysteresis_deg",
        "more than the trigger",
        "0.2 deg",
    ),
    (
        "hold_ms = 3000",
        "hold_ms = 200",
        "fault.hold_ms",
        "200 ms is shorter than latch.hold_ms",
        "at least 300 ms",
    ),
    (
        "firing_order = [1, 8, 4, 3, 6, 5, 7, 2]",
        "firing_order = [1, 8, 4, 3, 6, 5, 7, 7]",
        "cylinders.firing_order",
        "is not an order of all cylinders",
        "each of 1 to 8 once",
    ),
    (
        "firing_order = [1, 8, 4, 3, 6, 5, 7, 2]",
        "firing_order = [1, 8, 4, 3]",
        "cylinders.firing_order",
        "is not an order",
        "each of 1 to 8 once",
    ),
    (
        "firing_order = [1, 8, 4, 3, 6, 5, 7, 2]",
        "firing_order = [1, 8, 4, 3, 6, 5, 7, 2.5]",
        "cylinders.firing_order",
        "not whole",
        "whole numbers",
    ),
    (
        'skips = "both"',
        'skips = "none"',
        "cylinders.skips",
        '"none" is not known',
        '"spark" or "fuel" or "both"',
    ),
]


@pytest.mark.parametrize(("there", "put", "key", "what", "right"), ONE_MISTAKE)
def test_one_mistake(there: str, put: str, key: str, what: str, right: str) -> None:
    text = swap(DEMO, there, put)
    found = [entry for entry in mistakes(text) if entry[1] == key]
    assert len(found) == 1, mistakes(text)
    line, _, said, suggested = found[0]
    assert what in said
    assert right in suggested
    shown = text.splitlines()[line - 1]
    # The line is that of the key; of a missing one, that of its section.
    name = key.partition(" value ")[0]
    section, _, last = name.rpartition(".")
    if said == "is missing":
        assert shown == f"[{section}]"
    elif "section" not in said:
        assert last in shown


@pytest.mark.parametrize(
    ("there", "put"),
    [entry[:2] for entry in ONE_MISTAKE if entry[0] != "[latch.retard]" and entry[0] != "[arming]"],
)
def test_one_mistake_is_said_once(there: str, put: str) -> None:
    text = swap(DEMO, there, put)
    assert len(mistakes(text)) == 1, mistakes(text)


@pytest.mark.parametrize("section", re.findall(r"(?m)^\[([\w.]+)\]", DEMO))
def test_a_missing_section_is_named_or_has_defaults(section: str) -> None:
    optional = {"car", "tick", "filter", "look_ahead", "fault", "engine_ceiling", "arming", "link"}
    head, rest = DEMO.split(f"\n[{section}]\n")
    text = head + "\n[" + rest.split("\n[", 1)[1] if "\n[" in rest else head
    if section in optional:
        compile_text(text, "car.toml")
    else:
        # Where a section below it is left, its keys are missing instead.
        missing = [key for _, key, what, _ in mistakes(text) if what.endswith("is missing")]
        assert section in missing or {key.rpartition(".")[0] for key in missing} == {section}


def test_a_file_without_sections_names_every_one_that_is_needed() -> None:
    found = mistakes("# nothing yet\n")
    assert {key for _, key, _, _ in found} == {
        *(
            "sensor",
            "progress",
            "progress.expected",
            "ceilings",
            "latch",
            "latch.retard",
            "limits",
            "cylinders",
        )
    }
    assert {what for _, _, what, _ in found} == {"section is missing"}
    assert {line for line, _, _, _ in found} == {1}


def test_maps_and_ceilings_at_once() -> None:
    found = mistakes(DEMO + MAPS)
    assert [(key, right) for _, key, _, right in found] == [("ceilings", "one of the two sections")]


@pytest.mark.parametrize(
    ("there", "put", "key", "at", "what", "right"),
    [
        (
            "    [30, 40],\n",
            "",
            "maps.reduction_percent",
            "reduction_percent = [",
            "has 2 rows",
            "3 rows (one for each value of lift_mm) of 2 values (one for each of speed_kmh)",
        ),
        (
            "    [30, 40],",
            "    [30, 40, 50],",
            "maps.reduction_percent value 2",
            "[30, 40, 50]",
            "has 3 values",
            "3 rows (one for each value of lift_mm) of 2 values",
        ),
        (
            "    [30, 40],",
            '    [30, "x"],',
            "maps.reduction_percent value 2 value 2",
            '"x"',
            "is not a number",
            "a number",
        ),
        (
            "    [30, 40],",
            "    [30, 100.1],",
            "maps.reduction_percent value 2 value 2",
            "100.1",
            "too large",
            "100 %",
        ),
        (
            "    [6, 8],",
            "    [6, -1],",
            "maps.retard_deg value 2 value 2",
            "[6, -1]",
            "too small",
            "0 deg to 100 deg",
        ),
        (
            "    [30, 40],",
            "    40,",
            "maps.reduction_percent",
            "reduction_percent = [",
            "not a list of rows",
            "3 rows",
        ),
        (
            "lift_mm = [100, 200, 300]",
            "lift_mm = [100, 300, 200]",
            "maps.lift_mm value 3",
            "lift_mm",
            "does not rise",
            "",
        ),
        (
            "speed_kmh = [0, 100]",
            "elapsed_ms = [0, 100]",
            "maps.elapsed_ms",
            "elapsed_ms = [0, 100]",
            "unknown key",
            "",
        ),
        (
            "lift_mm = [100, 200, 300]",
            f"lift_mm = {list(range(17))}",
            "maps.lift_mm",
            "lift_mm",
            "17 values",
            "1 to 16",
        ),
    ],
)
def test_mistakes_in_maps(there: str, put: str, key: str, at: str, what: str, right: str) -> None:
    text = with_maps(MAPS.replace(there, put))
    assert MAPS.count(there) == 1
    found = [entry for entry in mistakes(text) if entry[1] == key]
    assert len(found) == 1, mistakes(text)
    line, _, said, suggested = found[0]
    assert at in text.splitlines()[line - 1]
    assert what in said
    assert right in suggested


def test_all_mistakes_of_a_file_at_once_in_the_order_of_its_lines() -> None:
    changes = {
        "hold_ms = 300": "hold_ms = -300",
        "rest_height_mm = 130": "rest_height_mm = 1300",
        "median_samples = 3": "median_samples = 2",
        'skips = "both"': 'skips = "all"',
        "disarm_ms = 100": "disarm_furlong = 100",
        "[limits]\nreduction_percent = 75": "[limits]\nreduction_percent = 175",
    }
    text = DEMO
    for there, put in changes.items():
        text = swap(text, there, put)
    found = mistakes(text)
    assert [key for _, key, _, _ in found] == [
        "sensor.rest_height_mm",
        "filter.median_samples",
        "latch.hold_ms",
        "limits.reduction_percent",
        "cylinders.skips",
        "arming.disarm_furlong",
    ]
    wanted = [changes[c].splitlines()[-1] for c in changes]
    assert {line for line, *_ in found} == {line_of(text, f"\n{put}") + 1 for put in wanted}


# -- files that are no calibration at all


@pytest.mark.parametrize(
    ("content", "line", "what"),
    [
        (swap(DEMO, "hold_ms = 300", "hold_ms = = 300").encode(), HOLD_LINE, "is not TOML"),
        (b"[sensor\n", 1, "is not TOML"),
        (b"[a]\nb = 1\nb = 2\n", 3, "is not TOML: b is given twice"),
        (b"[a]\n[c]\n[a]\n", 3, "is not TOML: [a] is given twice"),
        (b"[a]\nb = 1,5\n", 2, "is not TOML: b has a decimal comma"),
        (b"a = 1\nb = '", 2, "is not TOML"),
        (b"# car\n\xff\xfe\x00", 2, "is not UTF-8 text"),
        ("[sensor]\nname = 'Fähre'\n".encode("latin-1"), 2, "is not UTF-8 text"),
        (DEMO.encode("utf-16"), 1, "is not UTF-8 text"),
        (b"\x7fELF\x02\x01\x01\x00\x00\x00", 1, "is not TOML"),
        (b"time (s),height (mm),armed\n0,130,1\n", 1, "looks like a table of numbers, and no calibration"),
        (b"\na = " + b"[" * 5000, 2, "is nested too deeply"),
        (b"\na = " + b"1" * 5000, 2, "has a number of more than 400 digits"),
        (b"\n[" + b"a." * 60 + b"b]", 2, "has a name of more than 50 parts"),
    ],
)
def test_what_is_no_calibration_at_all(tmp_path: Path, content: bytes, line: int, what: str) -> None:
    path = tmp_path / "car.toml"
    path.write_bytes(content)
    with pytest.raises(CalibrationMistakes) as caught:
        load(path)
    (said,) = str(caught.value).splitlines()
    assert said.startswith(f"{path}:{line}: {what}")


def test_a_file_of_another_kind_is_told_in_one_line(tmp_path: Path) -> None:
    car, calibration = ROOT / "traces" / "demo_car.toml", ROOT / "traces" / "demo.toml"
    for reader, path, said in (
        (load, car, "is a car file, and no calibration; --vehicle takes it"),
        (load_car, calibration, "is a calibration file, and no car; --calibration takes it"),
    ):
        with pytest.raises(CalibrationMistakes) as caught:
            reader(path)
        assert str(caught.value) == f"{path}: {said}"
    with pytest.raises(UserError, match="this is a TOML file, not a trace"):
        read_trace(calibration)


def test_a_huge_file_is_not_read_to_its_end(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    with open(path, "wb") as stream:
        stream.truncate(100 * SIZE_LIMIT)
    with pytest.raises(CalibrationMistakes, match="too large for what it should be"):
        load(path)


def test_an_empty_file_is_called_that(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_text(" \n\n")
    with pytest.raises(CalibrationMistakes, match=r"car\.toml: is empty; key = value, one a line"):
        load(path)


def test_byte_order_mark_and_windows_line_ends_are_understood(tmp_path: Path) -> None:
    plain, other = tmp_path / "a.toml", tmp_path / "b.toml"
    plain.write_text(DEMO, encoding="utf-8")
    other.write_text(DEMO, encoding="utf-8-sig", newline="\r\n")
    assert load(plain).image == load(other).image
    other.write_text(swap(DEMO, "hold_ms = 300", "hold_ms = -1"), encoding="utf-8-sig", newline="\r\n")
    with pytest.raises(CalibrationMistakes, match=f":{HOLD_LINE}: latch.hold_ms"):
        load(other)


# -- lines


def test_lines_are_those_at_which_an_independent_writer_puts_a_mark() -> None:
    # Outside check: tomlkit keeps the layout of a file; a mark put in the place of a value shows its line.
    import tomlkit

    text = with_maps()
    lines = find_lines(text)
    document = tomlkit.parse(text)
    seen = 0
    for path, line in lines.items():
        if isinstance(path[-1], int) or path[-1] in ("reduction_percent", "retard_deg"):
            continue
        table = document
        for part in path[:-1]:
            table = table[part]
        item = table[path[-1]]
        if isinstance(item, dict):
            assert text.splitlines()[line - 1] == f"[{'.'.join(path)}]"
            continue
        table[path[-1]] = "a mark"
        marked = tomlkit.dumps(document).splitlines()
        assert [i for i, shown in enumerate(marked, 1) if "a mark" in shown] == [line]
        table[path[-1]] = item
        seen += 1
    assert seen > 50


def test_lines_of_values_that_span_several_lines() -> None:
    text = 'a = [\n 1, # ]\n [2,\n 3],\n]\n\'b.c\'.d = """x\n[e]\n"""\n[ f . "g" ]\n'
    text += "h = {i = [1,\n2], j = 3}\nk = 1.5\n"
    lines = find_lines(text)
    assert lines == {
        ("a",): 1,
        ("a", 0): 2,
        ("a", 1): 3,
        ("a", 1, 0): 3,
        ("a", 1, 1): 4,
        ("b.c", "d"): 6,
        ("f",): 9,
        ("f", "g"): 9,
        ("f", "g", "h"): 10,
        ("f", "g", "h", "i"): 10,
        ("f", "g", "h", "i", 0): 10,
        ("f", "g", "h", "i", 1): 11,
        ("f", "g", "h", "j"): 11,
        ("f", "g", "k"): 12,
    }


# -- anything at all


VALUES = [
    "0",
    "-1",
    "1e9",
    "nan",
    "true",
    '"x"',
    "[]",
    "[[]]",
    "[1, 2]",
    "[[1], 2]",
    "{}",
    "1979-05-27",
    "0.0001",
]
TABLES = [DEMO, with_maps()]


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """The demo file with some lines changed, moved, lost or doubled."""
    lines = draw(st.sampled_from(TABLES)).splitlines()
    for _ in range(draw(st.integers(1, 6))):
        i = draw(st.integers(0, len(lines) - 1))
        change = draw(st.sampled_from(["value", "value", "value", "key", "drop", "double", "text"]))
        key, equals, _ = lines[i].partition(" = ")
        if change == "value" and equals:
            lines[i] = f"{key} = {draw(st.sampled_from(VALUES))}"
        elif change == "key":
            j = draw(st.integers(0, len(lines) - 1))
            lines[i] = lines[j].partition(" = ")[0] + lines[i].removeprefix(key)
        elif change == "drop":
            lines[i] = ""
        elif change == "double":
            lines.insert(i, lines[i])
        elif change == "text":
            at = draw(st.integers(0, len(lines[i])))
            lines[i] = lines[i][:at] + draw(st.text(max_size=3)) + lines[i][at:]
    return "\n".join(lines)


@pytest.mark.slow
@settings(max_examples=300, deadline=None)
@given(mutated())
@example(with_maps("[maps]\n"))
@example(
    swap(
        swap(DEMO, "speed_kmh = [0, 80, 160, 250]", ""),
        "retard_from_mm = [150, 140, 125, 110]",
        "retard_from_mm = [1, 2]",
    )
)
@example("\n".join(f"{key} = 1" for key in ("sensor", "maps", "progress", "latch", "cylinders", "tick")))
def test_no_file_gives_anything_but_mistakes_or_an_image(text: str) -> None:
    try:
        made = compile_text(text, "car.toml")
    except CalibrationMistakes as error:
        lines = str(error).splitlines()
        if len(lines) > 20:
            assert re.fullmatch(r"and \d+ more mistakes?", lines.pop())
        assert lines
        for line in lines:
            assert LINE.fullmatch(line), line
    else:
        assert made.image


def test_a_section_by_its_former_name_is_read_and_told() -> None:
    now = compile_text(DEMO, "car.toml")
    line = 1 + DEMO[: DEMO.index("[engine_ceiling]")].count("\n")
    before = compile_text(DEMO.replace("[engine_ceiling]", "[engine_curve]"), "car.toml")
    assert before.image == now.image
    said = f"line {line}: [engine_curve] is called [engine_ceiling] today; it is read as that"
    assert before.warnings == [said, *now.warnings]
    assert changes(before, now) == changes(now, before) == []


def test_a_section_by_both_names_is_a_mistake() -> None:
    both = DEMO.replace("[engine_ceiling]", "[engine_curve]\nhysteresis_rpm = 1\n\n[engine_ceiling]")
    assert [(key, what, right) for _, key, what, right in mistakes(both)] == [
        ("engine_curve", "clashes with [engine_ceiling], its name of today", "one of the two")
    ]
    former = DEMO.replace("[engine_ceiling]", "[engine_curve]")
    wrong = former.replace("hysteresis_rpm = 50", "hysteresis = 50")
    assert [key for _, key, *_ in mistakes(wrong)] == ["engine_curve.hysteresis"]
