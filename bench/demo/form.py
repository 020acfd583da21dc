"""Writing measured signals as CSV, each file in an invented form of its own."""

from __future__ import annotations

from dataclasses import dataclass

from bench.random import Random

Signals = dict[str, list[float]]


@dataclass(frozen=True)
class Column:
    """One column: its title and unit as the file names them, the signal behind it, how many of its units
    one unit of the signal is, and the decimals printed. A `switch` is written as one of two words."""

    title: str
    unit: str
    signal: str
    scale: float = 1.0
    decimals: int = 0
    switch: tuple[str, str] | None = None


@dataclass(frozen=True)
class Form:
    """How a file is written. `step_ms` between rows, give or take `jitter_ms`; `above` are lines over the
    header; `units` says where they go: "row", "bracket", or "" for nowhere; with `changes` a switch is
    written only where it changes."""

    columns: tuple[Column, ...]
    step_ms: int = 5
    jitter_ms: int = 0
    delimiter: str = ","
    decimal: str = "."
    line_end: str = "\n"
    above: tuple[str, ...] = ()
    units: str = "bracket"
    quoted: bool = False
    changes: bool = False
    mark: bool = False


def write(signals: Signals, form: Form, seed: int) -> bytes:
    """The file's bytes, UTF-8. `signals` has a value each millisecond; the seed is for the jitter."""
    lines = list(form.above)
    lines.append(form.delimiter.join(_title(column, form) for column in form.columns))
    if form.units == "row":
        lines.append(form.delimiter.join(column.unit for column in form.columns))
    before: dict[str, str] = {}
    for i in _rows(len(signals["time_s"]), form, Random(seed + 3000)):
        cells = []
        for column in form.columns:
            text = _cell(column, signals[column.signal][i], form)
            if column.switch and form.changes:
                text, before[column.title] = "" if before.get(column.title) == text else text, text
            cells.append(text)
        lines.append(form.delimiter.join(cells))
    text = "".join(line + form.line_end for line in lines)
    return text.encode("utf-8-sig" if form.mark else "utf-8")


def _rows(count: int, form: Form, rng: Random) -> list[int]:
    rows, at = [], 0
    while at < count:
        rows.append(at)
        at += form.step_ms
        if form.jitter_ms:
            at += rng.whole(2 * form.jitter_ms + 1) - form.jitter_ms
    return rows


def _title(column: Column, form: Form) -> str:
    text = column.title
    if form.units == "bracket" and column.unit:
        text = f"{column.title} [{column.unit}]"
    return f'"{text}"' if form.quoted else text


def _cell(column: Column, value: float, form: Form) -> str:
    if column.switch:
        return column.switch[1 if value else 0]
    text = f"{value * column.scale:.{column.decimals}f}"
    if text.startswith("-") and not text.strip("-0."):
        text = text[1:]
    return text.replace(".", form.decimal)
