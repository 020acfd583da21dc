"""Figures as one SVG file, for paper and for pages that show pictures: it needs nothing else, is light on any
ground, and reads in black and white."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from bench.cautions import SHORT
from bench.document.blocks import Points, Strip
from bench.document.svg_pen import FONT, INK, PAPER, SOFT, Pen, cut, folded, number
from bench.document.svg_points import draw_points
from bench.document.svg_strip import StripDrawing
from bench.trace.text import shown

_MARGIN = 16
_BETWEEN = 24  # pixels from one figure to the next
_LONGEST = 500  # letters of the title


def picture(
    title: str,
    figures: Sequence[Strip | Points],
    *,
    subtitle: str = "",
    caution: str = SHORT,
    width: int = 1120,
) -> str:
    """The text of an SVG file, `width` pixels wide: strips one below the other, points in pairs. Equal input
    gives equal text. Each strip is shown over its `view`."""
    pen = Pen()
    left, right = _MARGIN, width - _MARGIN
    y = _MARGIN + 18.0
    pen.text(left, y, cut(title, 18, right - left), 18, INK, weight="bold")
    for line in folded(subtitle, 13, right - left):
        y += 20
        pen.text(left, y, line, 13, SOFT)
    y += 10
    for row in _rows(figures):
        y = _row(pen, row, left, right, y, named=len(figures) > 1) + _BETWEEN
    for line in folded(caution, 11, right - left):
        pen.text(left, y, line, 11, SOFT)
        y += 15
    return _file(pen, title, [subtitle, *(figure.title for figure in figures), caution], width, y)


def _rows(figures: Sequence[Strip | Points]) -> Iterator[list[Strip | Points]]:
    """Figures that stand side by side: two points, or one strip."""
    row: list[Strip | Points] = []
    for figure in figures:
        if row and (isinstance(figure, Strip) or isinstance(row[0], Strip) or len(row) == 2):
            yield row
            row = []
        row.append(figure)
    if row:
        yield row


def _row(
    pen: Pen, row: Sequence[Strip | Points], left: float, right: float, top: float, named: bool
) -> float:
    bottoms = []
    wide = (right - left) / (2 if isinstance(row[0], Points) and named else 1)
    for i, figure in enumerate(row):
        if isinstance(figure, Points):
            inner = left + i * wide + (_BETWEEN / 2 if i else 0)
            bottoms.append(
                draw_points(pen, figure, inner, inner + wide - (_BETWEEN / 2 if len(row) > 1 else 0), top)
            )
            continue
        if named:
            top += 18
            pen.text(left, top, cut(figure.title, 14, right - left), 14, INK, weight="bold")
            top += 4
        bottoms.append(StripDrawing(pen, figure, left, right).draw(top))
    return max(bottoms)


def _file(pen: Pen, title: str, told: Sequence[str], width: float, height: float) -> str:
    size = f"{number(width)} {number(height)}"
    w, h = size.split()
    described = " ".join(shown(text, _LONGEST) for text in told if text)
    return "\n".join([
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}" height="{h}" viewBox="0 0 {size}" role="img"'
        f' aria-labelledby="title desc" font-family="{FONT}">',
        f'<title id="title">{escape(shown(title, _LONGEST), quote=False)}</title>',
        f'<desc id="desc">{escape(described, quote=False)}</desc>',
        "<defs>",
        *pen.definitions(),
        "</defs>",
        f'<rect width="{w}" height="{h}" fill="{PAPER}"/>',
        *pen.parts,
        "</svg>",
        "",
    ])  # fmt: skip
