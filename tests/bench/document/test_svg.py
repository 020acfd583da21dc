"""Pictures read as a person reads them: the numbers beside the axes give the values of what is drawn.

The grammar of paths is that of SVG 2 (W3C Candidate Recommendation, 4 October 2018), section 9.3; the
characters that a file may hold are those of XML 1.0 (W3C, fifth edition), section 2.2.
"""

from __future__ import annotations

import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations, pairwise
from typing import Any, cast, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.cautions import SHORT
from bench.document.blocks import (
    Bands,
    Bar,
    Events,
    Group,
    Jump,
    Level,
    Line,
    Note,
    Panel,
    Place,
    Points,
    Row,
    Series,
    Shade,
    Strip,
    Zero,
)
from bench.document.columns import NONE, Column
from bench.document.svg import picture
from bench.document.svg_pen import BARS, INK, LINES, ORANGE, SHADE
from bench.document.svg_points import MARKS
from bench.document.svg_scale import ticks, worth_drawing
from bench.trace.text import shown

NAMESPACE = "{http://www.w3.org/2000/svg}"
_TOKEN = re.compile(r"[MmLlHhVvZz]|[+-]?(?:\d+\.?\d*|\.\d+)")

_NUMBER = re.compile("\N{MINUS SIGN}?[0-9.]+")


def strokes(d: str) -> list[list[tuple[float, float]]]:
    """The points of each part of a path of straight lines."""
    found: list[list[tuple[float, float]]] = []
    x = y = 0.0
    command = ""
    tokens = _TOKEN.findall(d)
    assert "".join(tokens) == re.sub(r"[\s,]", "", d), "a path with something else than lines"
    at = 0

    def take() -> float:
        nonlocal at
        at += 1
        return float(tokens[at - 1])

    while at < len(tokens):
        if tokens[at].isalpha():
            command = tokens[at]
            at += 1
        base_x, base_y = (x, y) if command.islower() else (0.0, 0.0)
        if command in "Zz":
            continue
        if command in "Hh":
            x = base_x + take()
        elif command in "Vv":
            y = base_y + take()
        else:
            x, y = base_x + take(), base_y + take()
        if command in "Mm":
            found.append([])
            command = "L" if command == "M" else "l"
        found[-1].append((x, y))
    return found


class Drawn:
    """A picture, and what can be read in it."""

    def __init__(self, *figures: Strip | Points, title: str = "A run", **more: Any) -> None:
        self.text = picture(title, figures, **more)
        self.root = ET.fromstring(self.text)
        self.texts = [("".join(one.itertext()), one) for one in self.root.iter(f"{NAMESPACE}text")]

    def words(self) -> list[str]:
        return [text for text, _ in self.texts]

    def place(self, text: str) -> tuple[float, float]:
        """Where the first text of these letters begins."""
        one = next(one for found, one in self.texts if found == text)
        return float(one.attrib["x"]), float(one.attrib["y"])

    def paths(self, color: str, width: float) -> list[list[tuple[float, float]]]:
        """The strokes of a colour and width."""
        return [
            stroke
            for one in self.root.iter(f"{NAMESPACE}path")
            if one.get("stroke") == color and float(one.get("stroke-width", 0)) == width
            for stroke in strokes(one.attrib["d"])
        ]

    def main(self) -> list[list[tuple[float, float]]]:
        return self.paths(*LINES["main"][:2])

    def numbers(self, anchor: str) -> list[tuple[float, float, float]]:
        """The numbers beside the axes: value and place."""
        return [
            (float(text.replace("\N{MINUS SIGN}", "-")), float(one.attrib["x"]), float(one.attrib["y"]))
            for text, one in self.texts
            if (one.get("text-anchor"), one.get("font-size"), one.get("font-weight")) == (anchor, "12", None)
            and _NUMBER.fullmatch(text)
        ]

    def across(self, number: float) -> float:
        """Where a number of the axis of time stands."""
        return next(x for value, x, _ in self.numbers("middle") if value == number)

    def values(self) -> list[list[tuple[float, float]]]:
        """The points of the main line of a picture of one panel, read with the numbers beside its axes."""
        down = [(value, y - 4) for value, _, y in self.numbers("end")]
        across = [(value, x) for value, x, _ in self.numbers("middle")]
        y_scale = np.polyfit([p for _, p in down], [v for v, _ in down], 1)
        x_scale = np.polyfit([p for _, p in across], [v for v, _ in across], 1)
        return [
            [(float(np.polyval(x_scale, x)), float(np.polyval(y_scale, y))) for x, y in stroke]
            for stroke in self.main()
        ]


def near(*numbers: float, off: float) -> Any:
    """What is equal to these numbers, each to within `off`."""
    return pytest.approx(numbers, abs=off)


def strip(
    *panels: Panel | Bands | Events,
    step: float = 0.01,
    view: tuple[float, float] | None = None,
    **columns: Any,
) -> Strip:
    """A strip of columns of whole numbers, or of Columns."""
    made = {
        name: one if isinstance(one, Column) else Column(np.asarray(one)) for name, one in columns.items()
    }
    n = max((len(one.numbers) for one in made.values()), default=0)
    return Strip("s", "A strip", {"run": Series(made, 0.0, step)}, panels, view or (0.0, max(n, 2) * step))


def one_line(values: Any, **more: Any) -> Strip:
    line = Line("lift", "v", stepped=bool(more.pop("stepped", False)))
    return strip(Panel("Lift", "mm", [line], height=200), v=values, **more)


class TestCurves:
    def test_values_stand_where_the_axes_say(self) -> None:
        values = np.array([0, 100, 40, -60, 20, 0, 80, 80, 0])
        (stroke,) = Drawn(one_line(values, step=1.0)).values()
        # a tenth of a pixel is 0.1 of 200 pixels for 186
        assert tuple(x for x, _ in stroke) == near(*range(9), off=0.01)
        assert tuple(y for _, y in stroke) == near(*values.tolist(), off=0.2)

    def test_a_peak_of_one_tick_is_seen_in_the_widest_view(self) -> None:
        values = np.zeros(400_000, int)
        values[123_456], values[300_000] = 900, -300
        (stroke,) = Drawn(one_line(values, step=0.001)).values()
        highest, lowest = max(stroke, key=lambda p: p[1]), min(stroke, key=lambda p: p[1])
        assert (highest[0], lowest[0]) == near(123.456, 300.0, off=0.3)
        assert (highest[1], lowest[1]) == near(900, -300, off=2)

    def test_a_step_is_a_step(self) -> None:
        (stroke,) = Drawn(one_line([0, 0, 50, 50, 20, 20], step=1.0, stepped=True)).values()
        for (x0, y0), (x1, y1) in pairwise(stroke):
            assert x0 == pytest.approx(x1, abs=1e-6) or y0 == pytest.approx(y1, abs=1e-6)
        # each number holds until the next one, the last for its own step
        assert [(round(x, 1), round(y)) for x, y in stroke] == [
            (0, 0), (2, 0), (2, 50), (4, 50), (4, 20), (6, 20),
        ]  # fmt: skip

    def test_a_gap_is_a_gap(self) -> None:
        first, second = Drawn(one_line([5, 6, 7, NONE, NONE, 9, 12], step=1.0)).values()
        assert [round(x, 1) for x, _ in (first[0], first[-1], second[0], second[-1])] == [0, 2, 5, 6]

    def test_a_single_value_between_gaps_is_seen(self) -> None:
        found = Drawn(one_line([3, NONE, 8, NONE, 3], step=1.0)).values()
        assert [round((a[0] + b[0]) / 2, 1) for a, b in found] == [0, 2, 4]

    def test_a_long_gap_is_one_where_points_are_left_out(self) -> None:
        values = np.tile([0, 9], 100_000)
        values[70_000:90_000] = NONE
        values[150_000] = NONE  # narrower than a pixel
        first, second = Drawn(one_line(values, step=0.001)).values()
        assert (first[-1][0], second[0][0]) == near(70, 90, off=0.3)

    @settings(max_examples=40)
    @given(st.integers(5000, 40000), st.data())
    def test_keeps_every_peak_and_every_dip(self, n: int, data: st.DataObject) -> None:
        values = np.zeros(n)
        high, low = data.draw(st.integers(0, n - 1)), data.draw(st.integers(0, n - 1))
        values[high], values[low] = 7, -7
        values[data.draw(st.lists(st.integers(0, n - 1), max_size=99))] = np.nan
        x = np.linspace(0, 800, n)
        drawn = values[worth_drawing(x, values)]
        assert len(drawn) <= 2 * 801 + 2
        assert drawn.min() == np.nanmin(values)
        assert drawn.max() == np.nanmax(values)

    def test_a_series_along_a_column_stands_where_it_says(self) -> None:
        made = Series(
            {"at": Column(np.array([0, 1, 10, 20]), 10), "v": Column(np.array([0, 10, 20, 30]))},
            0.0,
            0.1,
            "at",
        )
        figure = replace(one_line([0]), series={"run": made}, view=(0.0, 2.0))
        (stroke,) = Drawn(figure).values()
        assert [x for x, _ in stroke] == pytest.approx([0, 0.1, 1.0, 2.0], abs=0.01)

    def test_an_area_reaches_down_to_zero(self) -> None:
        figure = strip(Panel("p", "", [Line("demand", "v", "fill")], bottom=0.0), v=[0, 10, 0])
        drawn = Drawn(figure)
        area = next(
            one for one in drawn.root.iter(f"{NAMESPACE}path") if one.get("fill") not in (None, "none")
        )
        (corners,) = strokes(area.attrib["d"])
        zero = drawn.place("0")[1] - 4
        assert corners[-1][1] == corners[-2][1] == pytest.approx(zero, abs=0.2)

    def test_what_is_not_scaled_is_said_to_be_off(self) -> None:
        figure = strip(
            Panel(
                "p", "mm", [Line("lift", "v"), Line("end", "far", scaled=False)], [Level("roof", 500.0)],
                bottom=0.0,
            ),
            v=[0, 10], far=[1000, 1000],
        )  # fmt: skip
        assert {"end (above)", "roof (above)", "lift"} <= set(Drawn(figure).words())

    def test_a_level_lies_at_its_value(self) -> None:
        drawn = Drawn(strip(Panel("p", "", [Line("a", "v")], [Level("bar", 50.0)]), v=[0, 100]))
        lines = [one for one in drawn.root.iter(f"{NAMESPACE}line") if one.get("stroke") == ORANGE]
        (line,) = [one for one in lines if float(one.attrib["x2"]) - float(one.attrib["x1"]) > 100]
        up, down = (drawn.place(text)[1] - 4 for text in ("100", "0"))
        assert float(line.attrib["y1"]) == pytest.approx((up + down) / 2, abs=0.2)

    @pytest.mark.parametrize("values", [[], [NONE, NONE, NONE]])
    def test_a_line_without_values_is_said_so(self, values: list[int]) -> None:
        drawn = Drawn(one_line(values, view=(0.0, 1.0)))
        assert "lift (no values)" in drawn.words()
        assert not drawn.main()

    def test_codes_stand_by_name(self) -> None:
        words = {0: "rest", 1: "peak", 2: "hold"}
        drawn = Drawn(one_line(Column(np.array([0, 1, 2, 2]), words=words)))
        rest, peak, hold = (drawn.place(word)[1] for word in words.values())
        assert rest - peak == pytest.approx(peak - hold, abs=0.2)
        assert rest - peak > 10


class TestNames:
    def test_names_do_not_lie_over_each_other(self) -> None:
        lines = [Line(f"a rather long name of curve number {i}", "v", look) for i, look in enumerate(LINES)]
        drawn = Drawn(strip(Panel("p", "", lines, height=80), v=[0, 1]))
        rows = sorted(float(one.attrib["y"]) for _, one in drawn.texts if float(one.attrib["x"]) > 940)
        assert len(rows) >= 2 * len(lines)
        assert min(b - a for a, b in pairwise(rows)) >= 13.9

    def test_each_look_differs_without_colour(self) -> None:
        for one, other in combinations(LINES, 2):
            # `main` and `run-0` are of different figures, and both its plain thick line
            if {one, other} == {"main", "run-0"} or "fill" in (one, other) or "dots" in (one, other):
                continue
            (_, a, first), (_, b, second) = LINES[one], LINES[other]
            together = one.startswith("run-") == other.startswith("run-")
            assert not together or first != second or abs(a - b) >= 0.25, f"{one} looks like {other}"

    def test_each_bar_differs_without_colour(self) -> None:
        assert set(BARS) == set(get_args(Bar))
        hatches = [hatch for _, hatch in BARS.values() if hatch]
        assert len(set(hatches)) == len(hatches) == len(BARS) - 2
        (solid, _), (plain, _) = BARS["solid"], BARS["plain"]
        dark, light = (int(color[1:3], 16) for color in (solid, plain))
        assert light - dark > 100

    def test_notes_stand_over_their_peaks(self) -> None:
        values = np.zeros(1000, int)
        values[300:310], values[305], values[700] = 90, 100, 50
        notes = [Note(3.05, "100 mm"), Note(3.08, "near"), Note(7.0, "50 mm")]
        figure = strip(Panel("p", "mm", [Line("lift", "v")], notes=notes), v=values)
        drawn = Drawn(figure)
        assert "near" not in drawn.words()
        top = min(y for stroke in drawn.main() for _, y in stroke)
        x, y = drawn.place("100 mm")
        assert top - 20 < y < top
        assert drawn.place("50 mm")[0] - x == pytest.approx(838 * 3.95 / 10, rel=0.1)

    def test_a_note_stands_over_the_curve_that_it_is_of(self) -> None:
        low, high = Series({"v": Column(np.array([0, 20, 0]))}), Series({"v": Column(np.array([0, 40, 0]))})
        lines = [Line("low", "v", series="low"), Line("high", "v", "second", "high")]
        notes = [Note(1.0, "20 mm", "low"), Note(1.0, "40 mm", "high")]
        drawn = Drawn(
            replace(
                one_line([0]),
                series={"low": low, "high": high},
                panels=[Panel("p", "mm", lines, notes=notes)],
                view=(0, 2),
            )
        )
        for value, text in ((20, "20 mm"), (40, "40 mm")):
            assert drawn.place(text)[1] == pytest.approx(drawn.place(str(value))[1] - 4 - 5, abs=0.3)

    def test_shades_what_a_column_says(self) -> None:
        codes = np.zeros(1000, int)
        codes[200:500] = 16
        codes[800:900] = 4
        figure = strip(Panel("p", "mm", [Line("lift", "v")], shades=[Shade("out of sight", "faults", 16)]),
                       v=np.zeros(1000, int), faults=codes)  # fmt: skip
        drawn = Drawn(figure)
        (shade,) = [one for one in drawn.root.iter(f"{NAMESPACE}rect") if one.get("fill") == SHADE]
        left, right = drawn.across(0), drawn.across(10)
        assert "out of sight" in drawn.words()
        assert float(shade.attrib["x"]) == pytest.approx(left + 0.2 * (right - left), abs=1)
        assert float(shade.attrib["width"]) == pytest.approx(0.3 * (right - left), abs=2)


class TestAxis:
    @given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e6), st.integers(3, 12))
    def test_ticks_are_few_round_and_inside(self, low: float, span: float, most: int) -> None:
        found = ticks(low, low + span, most)
        assert 1 <= len(found) <= most
        for value, text in found:
            assert low - 1e-6 * span <= value <= low + span * (1 + 1e-6)
            assert float(text.replace("\N{MINUS SIGN}", "-")) == pytest.approx(
                value, abs=1e-9 * abs(low) + 1e-12
            )
        assert len({text for _, text in found}) == len(found)

    def test_whole_numbers_only(self) -> None:
        assert [text for _, text in ticks(0, 3, 9, whole=True)] == ["0", "1", "2", "3"]

    def test_seconds_count_from_the_launch(self) -> None:
        figure = replace(one_line(np.arange(1000)), view=(2.0, 6.0), zeros=[Zero(3.0, "s since the launch")])
        drawn = Drawn(figure)
        assert "s since the launch" in drawn.words()
        assert {"\N{MINUS SIGN}1.0", "0.0", "3.0"} <= set(drawn.words())

    def test_many_launches_have_the_axis_of_the_trace_and_their_names(self) -> None:
        zeros = [Zero(float(i), f"s since launch {i}") for i in range(1, 9)]
        words = Drawn(replace(one_line(np.arange(1000)), zeros=zeros, axis="s of the trace")).words()
        assert "s of the trace" in words
        assert {f"launch {i}" for i in range(1, 9)} <= set(words)

    def test_marks_and_the_cursor_stand_above_the_panels(self) -> None:
        places = [
            Place("60 ft", "", Jump("s", 0, 1, 4.0), "mark"),
            Place("a lift", "", Jump("s", 0, 1, 7.0), "lift"),
        ]
        drawn = Drawn(replace(one_line(np.arange(1000)), cursor=2.5, places=places))
        assert "a lift" not in drawn.words()
        left, right = drawn.across(0), drawn.across(10)
        for text, at in (("60 ft", 4.0), ("2.500 s", 2.5)):
            assert drawn.place(text)[0] == pytest.approx(left + at / 10 * (right - left), abs=0.2)

    def test_more_launches_than_have_room(self) -> None:
        zeros = [Zero(i / 100, f"s since launch {i}") for i in range(900)]
        words = Drawn(replace(one_line(np.arange(1000)), zeros=zeros)).words()
        assert 10 < sum(word.startswith("launch ") for word in words) < 60


class TestBars:
    def bars(self, codes: Any, **row: Any) -> Drawn:
        made: dict[str, Any] = {
            "bars": {1: "solid", 2: "cross"},
            "words": {1: "peak", 2: "hold", 3: "odd"},
            **row,
        }
        return Drawn(strip(Bands("Latch", [Row("latch", "s", **made)]), s=codes))

    def spans(self, drawn: Drawn, bar: Bar) -> list[tuple[float, float]]:
        """Of the bars of a pattern, where they begin and end, as shares of the axis."""
        ground = f"url(#bar-{bar})" if BARS[bar][1] else BARS[bar][0]
        left, right = 86, 892
        found = []
        for one in drawn.root.iter(f"{NAMESPACE}path"):
            if one.get("fill") == ground:
                for stroke in strokes(one.attrib["d"]):
                    xs = [x for x, _ in stroke]
                    if min(xs) < right:
                        found.append(((min(xs) - left) / (right - left), (max(xs) - left) / (right - left)))
        return found

    def test_bars_lie_where_the_codes_are(self) -> None:
        codes = np.repeat([0, 1, 2, 0], 250)
        drawn = self.bars(codes)
        assert self.spans(drawn, "solid") == [near(0.25, 0.5, off=0.003)]
        assert self.spans(drawn, "cross") == [near(0.5, 0.75, off=0.003)]
        assert {"peak", "hold"} <= set(drawn.words())

    def test_the_most_important_of_a_pixel_is_drawn(self) -> None:
        codes = np.full(90_000, 2)
        codes[44_444] = 1
        drawn = self.bars(codes)
        ((start, stop),) = self.spans(drawn, "solid")
        assert start <= 44_444 / 90_000 <= stop
        assert stop - start < 0.003
        assert "peak" in drawn.words()  # beside the panel, since the bar is too narrow

    def test_a_code_without_a_pattern_is_plain(self) -> None:
        assert self.spans(self.bars(np.repeat([0, 3], 50)), "plain")

    def test_bits_of_a_mask(self) -> None:
        drawn = self.bars(np.repeat([4, 5, 6, 2], 25), mask=1)
        assert self.spans(drawn, "solid") == [near(0.25, 0.5, off=0.003)]

    def test_what_is_not_recorded_has_no_bar(self) -> None:
        figure = strip(
            Bands("b", [Row("r", "s", {1: "solid"}, {1: "on"})]), s=np.ones(100, int), view=(-1.0, 3.0)
        )
        ((start, stop),) = self.spans(Drawn(figure), "solid")
        assert (start, stop) == near(0.25, 0.5, off=0.003)


class TestEvents:
    def events(self, cycles: int, off: Sequence[int], cylinders: int = 8) -> Drawn:
        n = cycles * cylinders
        gone = np.zeros(n, int)
        gone[list(off)] = 1
        names = [str(i) for i in range(1, cylinders + 1)]
        panel = Events(
            "Events",
            Column(np.arange(n) * 3),
            Column(np.arange(n) % cylinders),
            Column(gone),
            names,
            0.0,
            0.001,
        )
        return Drawn(strip(panel, v=[0], view=(0.0, n * 0.003)))

    def squares(self, drawn: Drawn, skipped: bool) -> list[tuple[float, float]]:
        """The middles of the squares."""
        look = {"fill": "#ffffff", "stroke": ORANGE} if skipped else {"fill": INK}
        return [
            (sum(x for x, _ in stroke[:4]) / 4, sum(y for _, y in stroke[:4]) / 4)
            for one in drawn.root.iter(f"{NAMESPACE}path")
            if all(one.get(key) == value for key, value in look.items())
            for stroke in strokes(one.attrib["d"])
        ]  # fmt: skip

    def test_each_event_is_drawn_where_there_is_room(self) -> None:
        drawn = self.events(20, [3, 12])
        skipped, fired = self.squares(drawn, True), self.squares(drawn, False)
        assert (len(skipped), len(fired)) == (2, 158)
        # 9 events apart, in the row below
        assert skipped[1][0] - skipped[0][0] == pytest.approx(9 / 160 * 822, rel=0.03)
        assert skipped[1][1] - skipped[0][1] == pytest.approx(14)

    def test_elsewhere_those_about_the_first_skipped_one(self) -> None:
        drawn = self.events(1000, [4000, 4011])
        assert len(self.squares(drawn, True)) == 2
        assert len(self.squares(drawn, False)) == 28 * 8 - 2
        assert any("where the first was skipped" in text for text in drawn.words())

    def test_none_skipped(self) -> None:
        assert any("none of those shown was skipped" in text for text in self.events(1000, []).words())

    def test_twelve_cylinders(self) -> None:
        drawn = self.events(40, [30], 12)
        rows = sorted({y for _, y in self.squares(drawn, False)})
        assert len(rows) == 12
        assert {str(i) for i in range(1, 13)} <= set(drawn.words())


class TestPoints:
    def points(self, **more: Any) -> Points:
        made: dict[str, Any] = {"groups": [Group("cars", [0, 5, 10], [0, 50, 100], "run-2")], **more}
        return Points("p", "Cars", "peak lift, mm", "landing, m/s", **made)

    def test_points_stand_where_the_axes_say(self) -> None:
        drawn = Drawn(self.points())
        filled = [one for one in drawn.root.iter(f"{NAMESPACE}path") if one.get("fill") == LINES["run-2"][0]]
        shapes = [stroke for one in filled for stroke in strokes(one.attrib["d"])]
        middles = sorted(
            (sum(x for x, _ in s[:4]) / 4, sum(y for _, y in s[:4]) / 4) for s in shapes if len(s) >= 4
        )
        middle = next((x, y) for x, y in middles if x > 200)
        assert middle[0] == pytest.approx((drawn.across(4) + drawn.across(6)) / 2, abs=0.2)
        assert middle[1] == pytest.approx((drawn.place("40")[1] + drawn.place("60")[1]) / 2 - 4, abs=0.2)

    def test_words_for_numbers(self) -> None:
        drawn = Drawn(self.points(groups=[Group("", [0, 1], [1, 2])], x_words=["peak", "landing"]))
        assert {"peak", "landing"} <= set(drawn.words())

    def test_names_and_limits(self) -> None:
        words = Drawn(self.points(limits=[("x", 4.0, "the limit")])).words()
        assert {"cars", "the limit", "peak lift, mm", "landing, m/s"} <= set(words)

    @pytest.mark.parametrize("groups", [[], [Group("none", [], [])], [Group("nan", [float("nan")], [1.0])]])
    def test_without_points(self, groups: list[Group]) -> None:
        assert Drawn(self.points(groups=groups)).words()

    def test_each_mark_differs_without_colour(self) -> None:
        looks = set()
        for look in MARKS:
            drawn = Drawn(
                self.points(
                    groups=[Group("", [0, 1], [0, 1], cast("Any", look), joined=look.startswith("line"))]
                )
            )
            (clipped,) = list(drawn.root.iter(f"{NAMESPACE}g"))
            parts = [
                (
                    one.get("stroke-dasharray"),
                    one.get("fill") in ("none", "#ffffff"),
                    one.attrib["d"].split("M")[-1],
                )
                for one in clipped
            ]
            looks.add(str(parts))
        assert len(looks) == len(MARKS) > 10

    def test_side_by_side_in_pairs(self) -> None:
        figures = [replace(self.points(), title=f"Figure {i}") for i in range(3)]
        drawn = Drawn(*figures)
        first, second, third = (drawn.place(f"Figure {i}") for i in range(3))
        assert first[1] == second[1] < third[1]
        assert first[0] == third[0] < second[0]


HOSTILE = "<script>alert(1)</script> & \"'\x1b[31m\x00\ud800\u202e\ufffe]]>"


def hostile_strip(text: str) -> Strip:
    x = np.arange(3)
    panels: list[Panel | Bands | Events] = [
        Panel(
            text,
            text,
            [Line(text, "v")],
            [Level(text, 1.0)],
            notes=[Note(0.01, text)],
            shades=[Shade(text, "v")],
        ),
        Bands(text, [Row(text, "v", {1: "cross"}, {1: text, 2: text})]),
        Events(text, Column(x), Column(x * 0), Column(x), [text], beside=[text], beside_title=text),
    ]
    made = strip(*panels, v=x)
    jump = Jump("s", 0, 1, 0.01)
    return replace(
        made,
        title=text,
        axis=text,
        zeros=[Zero(0.0, text), Zero(0.01, text)],
        places=[Place(text, text, jump, "mark")],
    )


class TestFile:
    def figures(self) -> list[Strip | Points]:
        points = Points(
            "p",
            HOSTILE,
            HOSTILE,
            HOSTILE,
            [Group(HOSTILE, [1, 2], [1, 2])],
            [("x", 1, HOSTILE)],
            x_words=[HOSTILE] * 3,
        )
        return [hostile_strip(HOSTILE), points]

    def test_names_may_hold_anything(self) -> None:
        drawn = Drawn(*self.figures(), title=HOSTILE, subtitle=HOSTILE, caution=HOSTILE)
        assert shown(HOSTILE, 500) in drawn.words()
        known = {"svg", "title", "desc", "defs", "clipPath", "pattern", "rect", "path", "g", "line", "text"}
        assert {one.tag.removeprefix(NAMESPACE) for one in drawn.root.iter()} <= known
        assert not re.search(
            "[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\ud800-\udfff\ufffe\uffff]", drawn.text
        )
        drawn.text.encode("utf-8")

    def test_a_name_of_any_length_stays_inside(self) -> None:
        drawn = Drawn(hostile_strip("M" * 3000), title="M" * 3000, subtitle="M" * 3000)
        assert all(len(text) < 300 for text in drawn.words())

    def test_is_the_same_each_time(self) -> None:
        assert picture("a", self.figures()) == picture("a", self.figures())

    def test_names_of_parts_are_single(self) -> None:
        ids = [one.get("id") for one in Drawn(*self.figures()).root.iter() if one.get("id")]
        assert len(set(ids)) == len(ids)
        used = re.findall(r"url\(#([^)]+)\)", Drawn(*self.figures()).text)
        assert set(used) <= set(ids)

    def test_carries_the_caution_and_says_what_it_is(self) -> None:
        drawn = Drawn(one_line([0, 1]), title="clean_launch.csv", subtitle="lift 243 mm")
        assert SHORT in drawn.words()
        assert drawn.root.findtext(f"{NAMESPACE}title") == "clean_launch.csv"
        assert "lift 243 mm" in str(drawn.root.findtext(f"{NAMESPACE}desc"))
        assert drawn.root.get("role") == "img"

    def test_needs_nothing_else(self) -> None:
        text = Drawn(*self.figures()).text
        assert re.findall(r"https?:[^\"' ]+", text) == ["http://www.w3.org/2000/svg"]
        assert "href" not in text

    def test_a_run_of_ten_seconds_is_small(self) -> None:
        noise = np.random.default_rng(1).integers(-5, 5, (12, 10_000))
        columns = {f"c{i}": 100 * i + row for i, row in enumerate(noise)}
        looks: Iterator[Any] = iter(LINES)
        panels = [Panel(f"p{i}", "", [Line("a", f"c{i}", next(looks))]) for i in range(len(noise))]
        assert len(Drawn(strip(*panels, step=0.001, **columns)).text) < 200_000

    def test_nothing_lies_outside(self) -> None:
        drawn = Drawn(*self.figures(), title=HOSTILE)
        width, height = float(drawn.root.attrib["width"]), float(drawn.root.attrib["height"])
        for _, one in drawn.texts:
            assert 0 < float(one.attrib["x"]) < width
            assert 0 < float(one.attrib["y"]) < height

    def test_imports_no_plotting_library(self) -> None:
        heavy = "{'matplotlib', 'bokeh', 'PIL', 'jinja2', 'pyarrow', 'scipy'}"
        code = f"import sys, bench.document.svg; print(sorted({heavy} & set(sys.modules)))"
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        assert done.stdout.strip() == "[]"
