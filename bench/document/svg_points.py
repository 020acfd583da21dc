"""Points over two scales in a picture."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

from bench.document.blocks import Group, Points
from bench.document.svg_pen import (
    BLUE,
    BROWN,
    GREEN,
    GRID,
    INK,
    LINES,
    ORANGE,
    PALE,
    PAPER,
    PURPLE,
    SOFT,
    Pen,
    cut,
    number,
    width_of,
)
from bench.document.svg_scale import Floats, Scale, padded, ticks

_LEFT, _RIGHT = 62, 16
_LINE = 18  # pixels from one row of names to the next
_TICK_PIXELS = 54


def _circle(x: float, y: float, r: float) -> str:
    return f"M{number(x - r)} {number(y)}a{r} {r} 0 1 0 {2 * r} 0a{r} {r} 0 1 0 {-2 * r} 0z"


def _square(x: float, y: float, r: float) -> str:
    return f"M{number(x - r)} {number(y - r)}h{2 * r}v{2 * r}h{-2 * r}z"


def _triangle(x: float, y: float, r: float) -> str:
    return f"M{number(x)} {number(y - r)}l{r} {2 * r}h{-2 * r}z"


def _diamond(x: float, y: float, r: float) -> str:
    return f"M{number(x)} {number(y - r)}l{r} {r} {-r} {r} {-r} {-r}z"


def _cross(x: float, y: float, r: float) -> str:
    return f"M{number(x - r)} {number(y - r)}l{2 * r} {2 * r}m0 {-2 * r}l{-2 * r} {2 * r}"


def _star(x: float, y: float, r: float) -> str:
    tips = [(r if i % 2 == 0 else 0.4 * r, math.radians(36 * i - 90)) for i in range(10)]
    corners = (f"{number(x + size * math.cos(at))} {number(y + size * math.sin(at))}" for size, at in tips)
    return f"M{'L'.join(corners)}z"


_MARKS: dict[str, tuple[Callable[[float, float, float], str], float, str, bool]] = {
    "pale": (_circle, 2.5, PALE, False),
    "solid": (_circle, 3.5, SOFT, True),
    "chosen": (_star, 11, INK, True),
    "cross": (_cross, 5.5, BLUE, False),
    "square": (_square, 5.5, ORANGE, True),
    "run-0": (_circle, 4, INK, True),
    "run-1": (_triangle, 4.5, BLUE, True),
    "run-2": (_square, 4, ORANGE, True),
    "run-3": (_diamond, 5.5, GREEN, True),
    "run-4": (_circle, 4.5, PURPLE, False),
    "run-5": (_square, 4.5, BROWN, False),
    "line": (_circle, 0, INK, True),
    "line-dashed": (_circle, 0, ORANGE, True),
}
"""Shape, half of its size in pixels, colour, whether it is filled."""

MARKS = tuple(_MARKS)


def draw_points(pen: Pen, points: Points, left: float, right: float, top: float) -> float:
    """Draws points between two pixels across, from `top` down; gives the pixel at which it ends."""
    x0, x1 = left + _LEFT, right - _RIGHT
    pen.text(left, top + 14, cut(points.title, 13, right - left), 13, INK, weight="bold")
    y = _names(pen, points, left, right, top + 20)
    if points.y_label.casefold() != points.title.casefold():
        pen.text(left, y + 14, cut(points.y_label, 12, right - left), 12, SOFT)
        y += 14
    y += 10
    x_scale = Scale(*_range(points, "x"), x0, x1)
    y_scale = Scale(*_range(points, "y"), y + points.height, y)
    _frame(pen, points, x_scale, y_scale)
    pen.clip(x0, y, x1 - x0, points.height)
    for axis, value, _ in points.limits:
        color, width, dash = LINES["limit-dashed"]
        if axis == "x":
            pen.line(x_scale.at(value), y, x_scale.at(value), y + points.height, color, width, dash)
        else:
            pen.line(x0, y_scale.at(value), x1, y_scale.at(value), color, width, dash)
    for group in points.groups:
        _group(pen, group, x_scale, y_scale)
    pen.close()
    return y + points.height + 36


def _names(pen: Pen, points: Points, left: float, right: float, top: float) -> float:
    """The names of groups and limits in rows; gives the pixel below them."""
    x, y = left, top
    wanted = [(group.label, str(group.look), group.joined) for group in points.groups if group.label]
    wanted += [(label, "limit", True) for _, _, label in points.limits]
    for label, look, joined in dict.fromkeys(wanted):
        text = cut(label, 12, right - left - 50)
        room = 42 + width_of(text, 12) + 16
        if x > left and x + room > right + 16:
            x, y = left, y + _LINE
        if look == "limit":
            pen.sample("limit-dashed", x, y + 8)
        else:
            _mark_sample(pen, look, joined, x, y + 8)
        pen.text(x + 40, y + 12, text, 12)
        x += room
    return y + _LINE if x > left or y > top else y


def _mark_sample(pen: Pen, look: str, joined: bool, x: float, y: float) -> None:
    shape, size, color, filled = _MARKS[look]
    if joined:
        pen.line(x, y, x + 34, y, color, 1.8, _dash(look))
    if size:
        _shape(pen, shape(x + 17, y, min(size, 7)), color, filled)


def _shape(pen: Pen, d: str, color: str, filled: bool) -> None:
    pen.put(
        "path", d=d, fill=color if filled else "none" if "m0" in d else PAPER, stroke=color, stroke_width=1.4
    )


def _dash(look: str) -> str:
    return "8 4" if look == "line-dashed" else next((LINES[one][2] for one in LINES if one == look), "")


def _group(pen: Pen, group: Group, x_scale: Scale, y_scale: Scale) -> None:
    x, y = (_floats(values) for values in (group.x, group.y))
    known = np.isfinite(x) & np.isfinite(y)
    shape, size, color, filled = _MARKS[group.look]
    at = list(zip(x_scale.at(x).tolist(), y_scale.at(y).tolist(), known.tolist(), strict=True))
    if group.joined:
        pen.path(_joined(at), color, 1.8, _dash(group.look), stroke_linejoin="round")
    if size:
        shapes = dict.fromkeys(shape(a, b, size) for a, b, there in at if there)
        if shape is _cross:
            pen.path("".join(shapes), color, 2.6)
        elif shapes:
            _shape(pen, "".join(shapes), color, filled)


def _joined(at: Iterable[tuple[float, float, bool]]) -> str:
    """A line through points, with a gap at each that is unknown."""
    text, drawn = [], False
    for x, y, there in at:
        if there:
            text.append(f"{'L' if drawn else 'M'}{number(x)} {number(y)}")
        drawn = there
    return "".join(text)


def _floats(values: Sequence[float]) -> Floats:
    return np.array([math.nan if value is None else value for value in values], dtype=np.float64)


def _range(points: Points, axis: str) -> tuple[float, float]:
    """The scale, as that of a page: what is given, or all that is shown with some room."""
    given = getattr(points, f"{axis}_range")
    if given:
        return padded(*given)
    if axis == "x" and points.x_words:
        return -0.5, len(points.x_words) - 0.5
    values = [_floats(getattr(group, axis)) for group in points.groups]
    values.append(_floats([value for of, value, _ in points.limits if of == axis]))
    all_values: Any = np.concatenate(values)
    known = all_values[np.isfinite(all_values)]
    if len(known) == 0:
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    room = 0.06 * ((high - low) or abs(high) or 1.0)
    if 0 <= low < 4 * room:
        low = 0.0 if low > 0 else -room / 2
    else:
        low -= room
    return low, high + room


def _frame(pen: Pen, points: Points, x: Scale, y: Scale) -> None:
    """Grid, axes and their numbers."""
    for value, text in ticks(y.low, y.high, max(3, int((y.start - y.stop) / 28))):
        pen.line(x.start, y.at(value), x.stop, y.at(value), GRID)
        pen.text(x.start - 7, y.at(value) + 4, text, 12, INK, "end")
    room = x.stop - x.start
    if points.x_words:
        every = math.ceil(len(points.x_words) * 40 / room)
        wide = room * every / len(points.x_words) - 6
        shown = [(float(i), cut(points.x_words[i], 12, wide)) for i in range(0, len(points.x_words), every)]
    else:
        shown = ticks(x.low, x.high, max(3, int(room / _TICK_PIXELS)))
    for value, text in shown:
        if x.inside(value):
            pen.line(x.at(value), y.stop, x.at(value), y.start + 4, GRID)
            pen.text(x.at(value), y.start + 16, text, 12, INK, "middle")
    pen.line(x.start, y.stop, x.start, y.start, SOFT)
    pen.line(x.start, y.start, x.stop, y.start, SOFT)
    pen.text((x.start + x.stop) / 2, y.start + 33, cut(points.x_label, 12, room), 12, SOFT, "middle")
