"""Cylinder events in a picture: a row for each cylinder in firing order, black fired and white skipped."""

from __future__ import annotations

import numpy as np

from bench.document.blocks import Events
from bench.document.svg_pen import INK, ORANGE, SOFT, Pen, cut, number
from bench.document.svg_scale import Floats, Places, Scale, padded, ticks

_ROW, _MARK = 14, 7  # pixels of a row, and of an event
_LEAST = _MARK + 3  # pixels from one event of a cylinder to its next one, where each is drawn
_BEFORE, _CYCLES = 4, 28  # cycles drawn before the first skipped event, and in all
_TITLE, _TICK_PIXELS = 22, 62


def events_fit(events: Events, x: Scale) -> bool:
    """Whether there is room for each event on an axis."""
    at = _places(events)
    count = np.count_nonzero((at >= x.low) & (at <= x.high))
    return bool(count * _LEAST <= abs(x.stop - x.start) * max(len(events.names), 1))


def draw_events(
    pen: Pen, events: Events, x: Scale, zero: float, axis_label: str, top: float, *, own: bool
) -> float:
    """Draws events below pixel `top`, on the strip's axis or on an `own` one, which shows where the first of
    them were skipped; gives the pixel at which it ends."""
    at, off = _places(events), np.asarray(events.off.numbers) != 0
    seen = np.flatnonzero((at >= x.low) & (at <= x.high))
    title = f"{events.title}: black fired, white skipped"
    if own:
        skipped = seen[off[seen]]
        if len(skipped) == 0:
            title = cut(f"{events.title}: none of those shown was skipped", 13, x.stop - x.start)
            pen.text(x.start, top + _TITLE - 7, title, 13, SOFT)
            return top + _TITLE
        seen = _cycles(int(skipped[0]), len(events.names), len(at))
        title = f"{events.title}, where the first was skipped: black fired, white skipped"
        low, high = padded(float(at[seen[0]]), float(at[seen[-1]]))
        room = 0.012 * (high - low)
        x = Scale(low - room, high + room, x.start, x.stop)
    pen.text(x.start, top + _TITLE - 7, cut(title, 13, x.stop - x.start), 13, INK, weight="bold")
    top += _TITLE
    bottom = top + _ROW * len(events.names) + 6
    _squares(pen, x.at(at[seen]), np.asarray(events.place.numbers)[seen], off[seen], top)
    for i, name in enumerate(events.names):
        middle = top + 3 + _ROW * (i + 0.5) + 4
        pen.text(x.start - 7, middle, cut(name, 11, x.start - 20), 11, INK, "end")
        if i < len(events.beside):
            pen.text(x.stop + 14, middle, cut(events.beside[i], 11, 44), 11, SOFT)
    if events.beside_title:
        pen.text(x.stop + 62, top + _ROW, cut(events.beside_title, 11, 140), 11, SOFT)
    pen.line(x.start, top, x.start, bottom, SOFT)
    pen.line(x.start, bottom, x.stop, bottom, SOFT)
    for value, text in ticks(x.low - zero, x.high - zero, max(3, int((x.stop - x.start) / _TICK_PIXELS))):
        pixel = x.at(value + zero)
        pen.line(pixel, bottom, pixel, bottom + 4, SOFT)
        if own:
            pen.text(pixel, bottom + 16, text, 12, INK, "middle")
    if own:
        pen.text(x.stop + 26, bottom + 16, cut(axis_label, 12, 170), 12, SOFT)
        bottom += 16
    return bottom


def _places(events: Events) -> Floats:
    return np.asarray(events.first + np.asarray(events.tick.numbers, dtype=np.float64) * events.step)


def _cycles(first: int, cylinders: int, count: int) -> Places:
    """Whole cycles, from a few before an event."""
    start = max(0, first // cylinders - _BEFORE) * cylinders
    return np.arange(start, min(start + _CYCLES * cylinders, count))


def _squares(pen: Pen, x: Floats, place: Places, off: Places, top: float) -> None:
    y = top + 3 + _ROW * (place + 0.5)
    for chosen, size in ((~off, _MARK), (off, _MARK - 1)):
        d = "".join(
            f"M{number(a - size / 2)} {number(b - size / 2)}h{size}v{size}h-{size}z"
            for a, b in zip(x[chosen], y[chosen], strict=True)
        )
        if d and size == _MARK:
            pen.put("path", d=d, fill=INK)
        elif d:
            pen.put("path", d=d, fill="#ffffff", stroke=ORANGE, stroke_width=1.3)
