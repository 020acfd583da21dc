"""A strip as a message to a page that draws it while a setting moves: of each curve the points it needs."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from bench.document.blocks import Bands, Panel, Series, Strip
from bench.document.columns import NONE, Column
from bench.trace.spans import spans

COLUMNS = 350
"""Of each a curve's least and greatest are drawn."""
_MOST_SHADES = 300

Ints = npt.NDArray[Any]


def thinned(values: Ints, columns: int = COLUMNS) -> Ints:
    """Indices of the points that a curve needs: in each of so many columns its least and its greatest, and
    where it is level only the ends."""
    n = len(values)
    if n > 4 * columns:
        width = -(-n // columns)
        padded = np.concatenate((values, np.full(-n % width, values[-1]))).reshape(-1, width)
        starts = np.arange(len(padded)) * width
        found = np.concatenate(([0], starts + padded.argmin(1), starts + padded.argmax(1), [n - 1]))
        found = np.sort(np.minimum(found, n - 1))
        kept = found[np.concatenate(([True], found[1:] != found[:-1]))]
    else:
        kept = np.arange(n)
    return kept[_bends(values[kept])]


def _bends(values: Ints) -> npt.NDArray[np.bool_]:
    """Which points of a line are its ends or lie beside another value."""
    if len(values) < 3:
        return np.ones(len(values), np.bool_)
    level = (values[1:-1] == values[:-2]) & (values[1:-1] == values[2:])
    return np.concatenate(([True], ~level, [True]))


def message(strip: Strip) -> dict[str, Any]:
    """The strip as plain values: every curve and row of bars has a series of its own, named as its column is.

    Bars keep every change. Raises ValueError for a strip with cylinder events, which no page draws live.
    """
    series: dict[str, Any] = {}

    def carry(name: str, column: str, every: bool) -> str:
        key = column if len(strip.series) == 1 else f"{name} {column}"
        if key not in series:
            series[key] = _series(strip.series[name], column, every)
        return key

    panels = []
    for panel in strip.panels:
        if isinstance(panel, Panel):
            made = {**vars(panel), "lines": [dict(vars(line)) for line in panel.lines]}
            made["levels"], made["notes"] = [vars(one) for one in panel.levels], []
            for line in made["lines"]:
                line["series"] = carry(line["series"], line["column"], False)
            made["shades"] = [span for shade in panel.shades for span in _shade(strip, shade)]
        elif isinstance(panel, Bands):
            made = {**vars(panel), "rows": [dict(vars(row)) for row in panel.rows]}
            for row in made["rows"]:
                row["series"] = carry(row["series"], row["column"], True)
                row["bars"], row["words"] = list(row["bars"].items()), list(row["words"].items())
        else:
            raise ValueError("cylinder events are not drawn live")
        panels.append(made)
    return {
        "series": series, "panels": panels, "view": list(strip.view), "cursor": strip.cursor,
        "decimals": strip.decimals, "zeros": [], "axis": strip.axis,
    }  # fmt: skip


def curve(series: Series, column: str) -> dict[str, Any]:
    """One curve as a series of its own, for a strip that a message carried."""
    return _series(series, column, False)


def _series(series: Series, column: str, every: bool) -> dict[str, Any]:
    its = series.columns[column]
    numbers = its.numbers
    kept = np.flatnonzero(_bends(numbers)) if every else thinned(numbers)
    at = series.columns[series.along] if series.along else None
    places = kept if at is None else at.numbers[kept]
    per = 1 / series.step if at is None else at.per
    return {
        "first": series.first, "step": series.step, "along": "at",
        "columns": {"at": _column(Column(places, per)), column: _column(its, numbers[kept])},
    }  # fmt: skip


def _column(column: Column, values: Ints | None = None) -> dict[str, Any]:
    numbers = column.numbers if values is None else values
    words = {str(number): word for number, word in column.words.items()}
    return {
        "values": numbers.tolist(), "gaps": bool((numbers == NONE).any()), "per": column.per,
        "unit": column.unit, "decimals": column.decimals, "words": words,
    }  # fmt: skip


def _shade(strip: Strip, shade: Any) -> list[dict[str, Any]]:
    series = strip.series[shade.series]
    bits = series.columns[shade.column].numbers & shade.mask
    return [
        {"from": series.first + a * series.step, "to": series.first + b * series.step, "label": shade.label}
        for a, b in spans(bits)[:_MOST_SHADES]
    ]
