"""Rows of named bars in a picture: what codes hold over a stretch of the axis."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from bench.document.blocks import Bar, Row
from bench.document.svg_pen import INK, PAPER, Pen, number, width_of
from bench.document.svg_scale import Axis, Scale

ROW, _BAR = 26, 19  # pixels of a row of bars, and of a bar in it
_FINE = 2  # parts of a pixel that are told apart
_SLIT = 0.8  # pixels between wide bars

Span = tuple[float, float, int]
"""From one pixel to another, and the code that holds there."""


def code_spans(axis: Axis, numbers: Any, mask: int, bars: Sequence[int], x: Scale) -> list[Span]:
    """The stretches of a column's codes (its bits of `mask`) that are not 0. Of the codes in half a pixel
    that is drawn which stands first in `bars`, then any other, and 0 last."""
    part = axis.part(x.low, x.high) if axis.n else slice(0, 0)
    codes = np.asarray(numbers[part])
    if len(codes) == 0:
        return []
    changes = np.concatenate(([0], np.flatnonzero(codes[1:] != codes[:-1]) + 1))
    codes = codes[changes].astype(np.int64) & mask
    at = axis.at(changes + part.start)
    known = sorted(set(codes.tolist()), key=lambda code: (code == 0, _rank(code, bars), code))
    ranks = np.empty(len(codes), np.intp)
    for rank, code in enumerate(known):
        ranks[codes == code] = rank
    edges = np.linspace(x.low, x.high, _FINE * round(x.stop - x.start) + 1)
    first = np.maximum(np.searchsorted(at, edges[:-1], "right") - 1, 0)
    stop = np.maximum(np.searchsorted(at, edges[1:], "left"), first + 1)
    # Pairs of (first, stop): every second reduction is that of a cell.
    least = np.minimum.reduceat(np.append(ranks, len(known)), np.stack((first, stop), axis=1).ravel())[::2]
    drawn = np.array(known)[least]
    drawn[(edges[1:] <= at[0]) | (edges[:-1] >= axis.end)] = 0
    bounds = [0, *(np.flatnonzero(np.diff(drawn)) + 1).tolist(), len(drawn)]
    pixels = x.at(edges).tolist()
    return [(pixels[a], pixels[b], int(drawn[a])) for a, b in pairwise(bounds) if drawn[a]]


def _rank(code: int, bars: Sequence[int]) -> int:
    return bars.index(code) if code in bars else len(bars)


def _fits(word: str, span: Span) -> bool:
    return width_of(word, 12) + 8 <= span[1] - span[0]


def unnamed_codes(row: Row, spans: Sequence[Span]) -> Iterator[tuple[int, Bar]]:
    """The codes of which no bar is wide enough for its name, with their patterns."""
    named = {span[2] for span in spans if _fits(row.words.get(span[2], ""), span)}
    for code in dict.fromkeys(code for _, _, code in spans):
        if code not in named:
            yield code, row.bars.get(code, "plain")


def draw_bars(pen: Pen, row: Row, spans: Sequence[Span], middle: float) -> None:
    """The bars of a row, each with its name where that has room."""
    up = number(middle - _BAR / 2)
    for code in dict.fromkeys(code for _, _, code in spans):
        wide = [(a, b - a - (_SLIT if b - a > 4 else 0)) for a, b, one in spans if one == code]
        d = "".join(f"M{number(a)} {up}h{number(w)}v{_BAR}h-{number(w)}z" for a, w in wide)
        pen.bar(row.bars.get(code, "plain"), d)
    for span in spans:
        word = row.words.get(span[2], "")
        if word and _fits(word, span):
            dark = row.bars.get(span[2], "plain") == "solid"
            color = PAPER if dark else INK
            pen.text((span[0] + span[1]) / 2, middle + 4, word, 12, color, "middle", halo=not dark)
