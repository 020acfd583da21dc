"""Writing measured signals as CSV, each logger in its own way."""

from __future__ import annotations

from dataclasses import dataclass

from bench.random import Random

Signals = dict[str, list[float]]


@dataclass(frozen=True)
class Column:
    """One column: its title and unit as the logger names them, the signal behind it, how many of its units
    one unit of the signal is, and the decimals printed. A `switch` is written as one of two words."""

    title: str
    unit: str
    signal: str
    scale: float = 1.0
    decimals: int = 0
    switch: tuple[str, str] | None = None


@dataclass(frozen=True)
class Logger:
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


def write(signals: Signals, logger: Logger, seed: int) -> bytes:
    """The file's bytes, UTF-8. `signals` has a value each millisecond; the seed is for the jitter."""
    lines = list(logger.above)
    lines.append(logger.delimiter.join(_title(column, logger) for column in logger.columns))
    if logger.units == "row":
        lines.append(logger.delimiter.join(column.unit for column in logger.columns))
    before: dict[str, str] = {}
    for i in _rows(len(signals["time_s"]), logger, Random(seed + 3000)):
        cells = []
        for column in logger.columns:
            text = _cell(column, signals[column.signal][i], logger)
            if column.switch and logger.changes:
                text, before[column.title] = "" if before.get(column.title) == text else text, text
            cells.append(text)
        lines.append(logger.delimiter.join(cells))
    text = "".join(line + logger.line_end for line in lines)
    return text.encode("utf-8-sig" if logger.mark else "utf-8")


def _rows(count: int, logger: Logger, rng: Random) -> list[int]:
    rows, at = [], 0
    while at < count:
        rows.append(at)
        at += logger.step_ms
        if logger.jitter_ms:
            at += rng.whole(2 * logger.jitter_ms + 1) - logger.jitter_ms
    return rows


def _title(column: Column, logger: Logger) -> str:
    text = column.title
    if logger.units == "bracket" and column.unit:
        text = f"{column.title} [{column.unit}]"
    return f'"{text}"' if logger.quoted else text


def _cell(column: Column, value: float, logger: Logger) -> str:
    if column.switch:
        return column.switch[1 if value else 0]
    text = f"{value * column.scale:.{column.decimals}f}"
    if text.startswith("-") and not text.strip("-0."):
        text = text[1:]
    return text.replace(".", logger.decimal)
