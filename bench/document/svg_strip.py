"""A strip in a picture: its panels one above the other over one axis of time, with the curves' names beside
them at the right."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from bench.document.blocks import Bands, Events, Line, Panel, Strip, Style
from bench.document.svg_bars import ROW, Span, code_spans, draw_bars, unnamed_codes
from bench.document.svg_events import draw_events, events_fit
from bench.document.svg_pen import (
    BLUE,
    FILL,
    GRID,
    INK,
    LINES,
    ORANGE,
    RULE,
    SHADE,
    SOFT,
    Pen,
    cut,
    folded,
    number,
    width_of,
)
from bench.document.svg_scale import (
    Axis,
    Floats,
    Places,
    Scale,
    gaps_after,
    number_text,
    padded,
    path_of,
    ticks,
    values_of,
    worth_drawing,
)

LEFT, RIGHT = 70, 212
"""Pixels beside the panels: for the scale, and for the names of the curves."""

_TITLE = 22  # pixels above a panel for its title
_GAP = 12  # pixels below it
_LINE = 14  # pixels from one line of a text to the next
_MARK_ROOM = 200  # pixels for the name of a mark, and for a note
_TICK_PIXELS = 62  # from one number of the axis of time to the next, at least
_STROKE_RANK = {"fill": 0, "main": 2}


@dataclass(frozen=True)
class _Name:
    """The name of a curve: what is drawn before it, and the pixel at which it should stand."""

    text: str
    y: float
    sample: Callable[[float, float], None]
    leads: bool = True


@dataclass(frozen=True)
class _Placed:
    """A name with its lines of text, and the pixel of the middle of them."""

    name: _Name
    lines: list[str]
    y: float


@dataclass(frozen=True)
class _Curve:
    """The points of a line that are drawn, its places in pixels, and those before which it has a gap."""

    line: Line
    x: Floats
    values: Floats
    breaks: Places

    def seen(self, x: Scale) -> Floats:
        """The values within the panel."""
        inside: Floats = self.values[(self.x >= x.start) & (self.x <= x.stop)]
        return inside


class StripDrawing:
    """Draws one strip, from pixel `left` to `right` with the names."""

    def __init__(self, pen: Pen, strip: Strip, left: float, right: float) -> None:
        self.pen = pen
        self.strip = strip
        self.left, self.right = left + LEFT, right - RIGHT
        start, stop = padded(*strip.view)
        self.x = Scale(start, stop, self.left, self.right)
        self.zero, self.axis_label = _zero(strip)
        most = max(3, int((self.right - self.left) / _TICK_PIXELS))
        self.ticks = ticks(start - self.zero, stop - self.zero, most, whole=strip.decimals == 0)
        self.axes = {name: Axis(series) for name, series in strip.series.items()}

    def draw(self, top: float) -> float:
        """From pixel `top` down; gives the pixel at which it ends."""
        shared: list[Panel | Bands | Events] = []
        below: list[Events] = []
        for one in self.strip.panels:
            if isinstance(one, Events) and not events_fit(one, self.x):
                below.append(one)
            else:
                shared.append(one)
        y = self._mark_texts(top)
        for panel in shared:
            y = self._one(panel, y)
        if shared:
            y = self._axis(y - _GAP)
        for events in below:
            y = draw_events(self.pen, events, self.x, self.zero, self.axis_label, y, own=True) + _GAP
        return y

    def _one(self, panel: Panel | Bands | Events, top: float) -> float:
        """One panel with its title; gives the pixel below it."""
        if isinstance(panel, Events):
            return draw_events(self.pen, panel, self.x, self.zero, self.axis_label, top, own=False) + _GAP
        if isinstance(panel, Bands):
            return self._bands(panel, top) + _GAP
        return self._panel(panel, top) + _GAP

    # --- along the axis

    def _marks(self) -> Iterator[tuple[float, str, str, str]]:
        """Lines through all panels: (place, colour, dash, text), the most important first."""
        zeros = [zero for zero in self.strip.zeros if self.x.inside(zero.at)]
        many = len(zeros) > 1
        for zero in zeros:
            yield zero.at, RULE if many else SOFT, "", zero.label.removeprefix("s since ") if many else ""
        for place in self.strip.places:
            if place.kind == "mark" and self.x.inside(place.jump.at):
                yield place.jump.at, RULE, "6 3", place.title
        if self.strip.cursor is not None and self.x.inside(self.strip.cursor):
            text = number_text(self.strip.cursor - self.zero, self.strip.decimals)
            yield self.strip.cursor, BLUE, "1 3", f"{text} s" if self.strip.decimals else text

    def _mark_texts(self, top: float) -> float:
        """The texts of marks above the panels; what has no room in two rows is left out."""
        rows: list[list[tuple[float, float]]] = [[], []]
        placed = []
        for at, color, _, name in self._marks():
            text = cut(name, 11, _MARK_ROOM)
            half = width_of(text, 11) / 2 + 3
            middle = min(max(self.x.at(at), self.left + half), self.right - half)
            for number_, row in enumerate(rows):
                if text and all(middle + half < a or middle - half > b for a, b in row):
                    row.append((middle - half, middle + half))
                    placed.append((number_, middle, text, color))
                    break
        used = sum(1 for row in rows if row)
        for number_, middle, text, color in placed:
            baseline = top + _LINE * (used - number_) - 2
            self.pen.text(middle, baseline, text, 11, color if color == BLUE else SOFT, "middle")
        return top + _LINE * used

    def _axis(self, y: float) -> float:
        """The numbers of the axis of time below the last panel."""
        for value, text in self.ticks:
            self.pen.text(self.x.at(value + self.zero), y + 16, text, 12, INK, "middle")
        self.pen.text(self.right + 26, y + 16, cut(self.axis_label, 12, RIGHT - 40), 12, SOFT)
        return y + 16 + _GAP

    def _frame(self, title: str, top: float, height: float) -> None:
        """Title, grid of the time and lines through all panels, in a panel from `top` on, below its title."""
        pen = self.pen
        pen.text(self.left, top - 7, cut(title, 13, self.right - self.left), 13, INK, weight="bold")
        for value, _ in self.ticks:
            x = self.x.at(value + self.zero)
            pen.line(x, top, x, top + height, GRID)
            pen.line(x, top + height, x, top + height + 4, SOFT)
        for at, color, dash, _ in self._marks():
            x = self.x.at(at)
            pen.line(x, top, x, top + height, color, 1, dash)
        pen.line(self.left, top, self.left, top + height, SOFT)
        pen.line(self.left, top + height, self.right, top + height, SOFT)

    # --- names at the right

    def _names(self, names: Sequence[_Name]) -> list[tuple[_Name, list[str]]]:
        """Each name with its lines of text, from the top."""
        room = RIGHT - 60
        return [(name, folded(name.text, 12, room, 3)) for name in sorted(names, key=lambda one: one.y)]

    def _place(self, names: Sequence[_Name], top: float, bottom: float) -> float:
        """Draws names within [top, bottom], each as near to its place as there is room, joined to it by a
        thin line."""
        wanted = self._names(names)
        placed: list[_Placed] = []
        edge = top
        for name, lines in wanted:
            half = _LINE * len(lines) / 2
            y = max(min(max(name.y, top), bottom), edge + half)
            placed.append(_Placed(name, lines, y))
            edge = y + half
        edge = bottom
        for one in reversed(placed):
            half = _LINE * len(one.lines) / 2
            y = min(one.y, edge - half)
            edge = y - half
            self._name(one, y)
        return edge

    def _name(self, one: _Placed, y: float) -> None:
        x = self.right + 14
        if one.name.leads:
            self.pen.line(self.right + 2, one.name.y, x - 2, y, RULE, 0.8)
        one.name.sample(x, y)
        for i, line in enumerate(one.lines):
            self.pen.text(x + 40, y + 4 + _LINE * (i - (len(one.lines) - 1) / 2), line, 12)

    def _needs(self, names: Sequence[_Name]) -> float:
        """How high names stand at least."""
        return _LINE * sum(len(lines) for _, lines in self._names(names))

    # --- curves

    def _curve(self, line: Line) -> _Curve:
        axis = self.axes[line.series]
        part = axis.part(self.x.low, self.x.high) if axis.n else slice(0, 0)
        x = self.x.at(axis.at(np.arange(part.start, part.stop)))
        values = values_of(self.strip.series[line.series].columns[line.column], part)
        if line.stepped and part.start < part.stop == axis.n:
            # The last number holds for its own step.
            x, values = np.append(x, self.x.at(axis.end)), np.append(values, values[-1])
        where = worth_drawing(x, values)
        return _Curve(line, x[where], values[where], gaps_after(x, values, where) + 1)

    def _panel(self, panel: Panel, title_top: float) -> float:
        top = title_top + _TITLE
        curves = [self._curve(line) for line in panel.lines]
        low, high = _range(panel, curves, self.x)
        rough = Scale(low, high, top + panel.height, top)
        height = max(panel.height, self._needs(list(self._curve_names(panel, curves, rough))))
        y = Scale(low, high, top + height, top)
        bottom = top + height
        self._shades(panel, top, height)
        for value, text in self._value_ticks(panel, y, height):
            pixel = y.at(value)
            self.pen.line(self.left, pixel, self.right, pixel, GRID)
            self.pen.text(self.left - 7, pixel + 4, text, 12, INK, "end")
        self._frame(panel.title + (f", {panel.unit}" if panel.unit else ""), top, height)
        self.pen.clip(self.left, top, self.right - self.left, height + 1)
        for level in panel.levels:
            color, width, dash = LINES[level.look]
            if y.inside(level.value):
                self.pen.line(self.left, y.at(level.value), self.right, y.at(level.value), color, width, dash)
        for curve in sorted(curves, key=lambda one: _STROKE_RANK.get(one.line.look, 1)):
            self._stroke(curve, y)
        self.pen.close()
        self._shade_names(panel, bottom)
        self._notes(panel, curves, y, top)
        self._place(list(self._curve_names(panel, curves, y)), top - _LINE, bottom + 4)
        return bottom

    def _stroke(self, curve: _Curve, scale: Scale) -> None:
        line, x, y = curve.line, curve.x, scale.at(curve.values)
        color, width, dash = LINES[line.look]
        if line.look == "dots":
            spots = dict.fromkeys(f"M{number(a)} {number(b)}h0" for a, b in zip(x, y, strict=True))
            self.pen.path("".join(spots), color, width, stroke_linecap="round")
            return
        if len(x) == 0:
            return
        ground = number(min(max(scale.at(0.0), scale.stop), scale.start))
        paths, areas = [], []
        for px, py in zip(np.split(x, curve.breaks), np.split(y, curve.breaks), strict=True):
            paths.append(path_of(px, py, stepped=line.stepped))
            areas.append(f"{paths[-1]}L{number(px[-1])} {ground}H{number(px[0])}z")
        if line.look == "fill":
            self.pen.put("path", d="".join(areas), fill=FILL)
        self.pen.path("".join(paths), color, width, dash, stroke_linejoin="round")

    def _curve_names(self, panel: Panel, curves: Sequence[_Curve], y: Scale) -> Iterator[_Name]:
        """Each line at its last value, each level at its own."""
        for curve in curves:
            seen = curve.seen(self.x)
            text, place, leads = curve.line.label, y.start, False
            if len(seen) == 0:
                text += " (no values)"
            else:
                place, leads = float(y.at(seen[-1])), y.inside(float(seen[-1]))
                text += _off(seen.min(), seen.max(), y)
            yield self._name_of(text, place, curve.line.look, y, leads)
        for level in panel.levels:
            off = _off(level.value, level.value, y)
            yield self._name_of(level.label + off, float(y.at(level.value)), level.look, y, leads=not off)

    def _name_of(self, text: str, place: float, look: Style, y: Scale, leads: bool) -> _Name:
        return _Name(text, min(max(place, y.stop), y.start), partial(self.pen.sample, look), leads)

    def _value_ticks(self, panel: Panel, y: Scale, height: float) -> list[tuple[float, str]]:
        """Round numbers; where every line is of codes with names, the codes that occur."""
        columns = [self.strip.series[line.series].columns[line.column] for line in panel.lines]
        if columns and all(column.words for column in columns):
            words = {
                code: column.words.get(code, str(code))
                for column in columns
                for code in _codes(column.numbers)
            }
            if len(words) <= 7:
                named = [
                    (code, word if width_of(word, 12) < LEFT - 10 else str(code))
                    for code, word in words.items()
                ]
                return [(value, word) for value, word in named if y.inside(value)]
        return ticks(y.low, y.high, max(3, round(height / 26)))

    def _notes(self, panel: Panel, curves: Sequence[_Curve], y: Scale, top: float) -> None:
        """Each note above whatever is drawn there; one that would lie over an earlier one is left out."""
        taken: list[tuple[float, float, float]] = []
        drawn = [one for one in curves if one.line.scaled and not one.line.look.startswith("limit")]
        for note in panel.notes:
            if not self.x.inside(note.at):
                continue
            text = cut(note.text, 12, _MARK_ROOM)
            half = width_of(text, 12) / 2 + 2
            middle = min(max(self.x.at(note.at), self.left + half), self.right - half)
            highest = -math.inf
            for one in drawn:
                if note.series not in ("", one.line.series):
                    continue
                near = one.values[np.abs(one.x - middle) <= half]
                there = np.interp(middle, one.x, one.values) if len(one.x) else -math.inf
                highest = max(highest, float(near.max(initial=-math.inf)), float(there))
            pixel = y.at(highest) - 5 if math.isfinite(highest) else y.start - 5
            pixel = max(pixel, top + 11)
            if all(abs(middle - x) > half + other or abs(pixel - at) > 13 for x, at, other in taken):
                taken.append((middle, pixel, half))
                self.pen.text(middle, pixel, text, 12, INK, "middle", "bold", halo=True)

    # --- bars

    def _bars(self, column: str, series: str, bars: Iterable[int], mask: int) -> list[Span]:
        codes = self.strip.series[series].columns[column].numbers
        return code_spans(self.axes[series], codes, mask, list(bars), self.x)

    def _bands(self, bands: Bands, title_top: float) -> float:
        top = title_top + _TITLE
        spans = [self._bars(row.column, row.series, row.bars, row.mask) for row in bands.rows]
        unnamed = [
            _Name(
                row.words.get(code, str(code)),
                top + ROW * (i + 0.5),
                partial(self.pen.bar_sample, bar),
                False,
            )
            for i, row in enumerate(bands.rows)
            for code, bar in unnamed_codes(row, spans[i])
        ]
        height = max(ROW * len(bands.rows), self._needs(unnamed))
        self._frame(bands.title, top, height)
        for i, row in enumerate(bands.rows):
            middle = top + ROW * (i + 0.5)
            self.pen.text(self.left - 7, middle + 4, cut(row.label, 12, LEFT - 8), 12, INK, "end")
            draw_bars(self.pen, row, spans[i], middle)
        self._place(unnamed, top, top + height)
        return top + height

    def _shades(self, panel: Panel, top: float, height: float) -> None:
        for shade in panel.shades:
            for a, b, _ in self._bars(shade.column, shade.series, (), shade.mask):
                self.pen.put("rect", x=a, y=top, width=b - a, height=height, fill=SHADE)

    def _shade_names(self, panel: Panel, bottom: float) -> None:
        for shade in panel.shades:
            for a, b, _ in self._bars(shade.column, shade.series, (), shade.mask):
                if width_of(shade.label, 11) < b - a:
                    self.pen.text((a + b) / 2, bottom - 6, shade.label, 11, ORANGE, "middle", halo=True)


def _zero(strip: Strip) -> tuple[float, str]:
    """From where the axis of what is shown counts, and what it is called."""
    start, stop = strip.view
    inside = [zero for zero in strip.zeros if start <= zero.at <= stop]
    if not strip.zeros or len(inside) > 1:
        return 0.0, strip.axis
    before = [zero for zero in strip.zeros if zero.at <= stop]
    chosen = before[-1] if before else strip.zeros[0]
    return chosen.at, chosen.label


def _range(panel: Panel, curves: Sequence[_Curve], x: Scale) -> tuple[float, float]:
    """The scale of a panel: as that of a page it holds what is shown, with some room above."""
    low, high = math.inf, -math.inf
    for curve in curves:
        seen = curve.seen(x)
        if curve.line.scaled and len(seen):
            low, high = min(low, float(seen.min())), max(high, float(seen.max()))
    for level in panel.levels:
        if panel.bottom is None or level.value <= 2.2 * high:
            low, high = min(low, level.value), max(high, level.value)
    if low > high:
        low, high = 0.0, 1.0
    if panel.least_top is not None:
        high = max(high, panel.least_top)
    bottom = low if panel.bottom is None else min(panel.bottom, low)
    span = (high - bottom) or abs(high) or 1.0
    below = 0.06 * span if panel.bottom is None or bottom < panel.bottom else 0.0
    above = 0.16 if panel.notes else 0.1
    return bottom - below, high + above * span


def _off(low: float, high: float, y: Scale) -> str:
    """What is said of a curve of which nothing is seen."""
    return " (above)" if low > y.high else " (below)" if high < y.low else ""


def _codes(numbers: Floats) -> list[int]:
    return [int(code) for code in np.unique(numbers)]
