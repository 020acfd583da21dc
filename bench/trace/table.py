"""From columns as read to a trace: units, times that rise, repeated stamps, gaps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from bench.errors import UserError
from bench.trace.choice import ROLE_UNITS, TIME, Chosen, ColumnChoice
from bench.trace.model import GAP_STEPS, Bools, Channel, Column, Floats, Trace
from bench.trace.text import plural, quoted
from bench.units import convert, kind_of

_DAY_S = 86400.0
_LISTED_GAPS = 1000
_UNEVEN = 0.1


@dataclass(frozen=True)
class Table:
    """The chosen columns of a file in the file's own units, one entry a row; `clock` for times of day in
    seconds. A table without time needs the rate of the choice; a time that is no column has the number 0."""

    form: str
    columns: tuple[Column, ...]
    chosen: Mapping[str, Chosen]
    values: dict[str, Floats]
    clock: bool
    notes: list[str]


def to_trace(table: Table, choice: ColumnChoice, path: Path, size_bytes: int, digest: str) -> Trace:
    """The trace of a table. The table's arrays are used up: they become the trace's own, or are let go.

    Raises UserError where fewer than two rows have a time, where most rows go backwards in time, and where
    the unit of time cannot be what was assumed."""
    where = str(path)
    notes = list(table.notes)
    values = table.values
    rows = len(next(iter(values.values())))
    if choice.rate_hz is not None:
        time = np.arange(rows, dtype=np.float64) / choice.rate_hz
        notes.append(f"time: from --rate, {choice.rate_hz:g} rows a second")
    else:
        time = _seconds(values.pop(TIME), table, notes)
    notes += _sources(table)
    if choice.height_offset_mm:
        notes.append(f"height: {choice.height_offset_mm:g} mm added (--height-offset)")

    untimed = int(np.count_nonzero(np.isnan(time)))
    if untimed:
        notes.append(f"{plural(untimed, 'row')} without a time dropped")
        kept = ~np.isnan(time)
        time = time[kept]
        for role in values:
            values[role] = values[role][kept]
    time, repeated, backward = _rising(time, values, where, notes)
    if len(time) < 2:
        raise UserError(
            f"{plural(len(time), 'row')} of numbers",
            where,
            "a trace needs two rows with rising time at least",
        )

    channels = {}
    for role in list(values):
        channels[role] = _channel(role, table.chosen[role], values.pop(role), choice, where)
    if not channels["height"].valid.any():
        raise UserError(
            "every cell of the height column is empty", where, "choose another with --height-column"
        )

    usual = float(np.median(np.diff(time), overwrite_input=True))
    steps = np.diff(time)
    low, high = (1 - _UNEVEN) * usual, (1 + _UNEVEN) * usual
    _check_time_unit(table, usual, where)
    used: dict[int, list[Chosen]] = {}
    for column in table.chosen.values():
        used.setdefault(column.column.number, []).append(column)
    return Trace(
        path=path,
        form=table.form,
        size_bytes=size_bytes,
        digest=digest,
        time_s=time,
        channels=channels,
        columns=tuple(one for column in table.columns for one in _described(column, used.get(column.number))),
        notes=notes,
        gaps=_gaps(time, steps, usual, notes),
        rate_hz=1.0 / usual,
        uneven=bool(np.count_nonzero((steps < low) | (steps > high)) > 0.01 * len(steps)),
        rows=rows,
        repeated=repeated,
        backward=backward,
        untimed=untimed,
    )


def _seconds(raw: Floats, table: Table, notes: list[str]) -> Floats:
    if not table.clock:
        return convert(raw, table.chosen[TIME].unit, "s")
    # A fall of more than half a day is midnight.
    falls = np.flatnonzero(np.diff(raw) < -_DAY_S / 2) + 1
    if len(falls):
        days = np.zeros(len(raw))
        days[falls] = _DAY_S
        raw = raw + np.cumsum(days)
        notes.append(f"time: midnight passed ({plural(len(falls), 'time')})")
    notes.append("time: clock times, counted in seconds from midnight; a date is not read")
    return raw


def _sources(table: Table) -> list[str]:
    """Where each column and its unit came from, in words."""
    notes = []
    for role, chosen in table.chosen.items():
        if chosen.column.number == 0:
            notes.append(f"{role}: the file's own, in {chosen.unit}")
            continue
        title = f" {quoted(chosen.column.title)}" if chosen.column.title else ""
        text = f"{role.replace('_', ' ')}: column {chosen.column.number}{title}"
        if chosen.unit and chosen.unit != "bool" and not (role == TIME and table.clock):
            how = "assumed" if chosen.unit_from == "assumed" else f"from {chosen.unit_from}"
            text += f", unit {chosen.unit} ({how})"
        notes.append(text)
    return notes


def _rising(time: Floats, values: dict[str, Floats], where: str, notes: list[str]) -> tuple[Floats, int, int]:
    """Times that rise strictly, with `values` thinned alongside; how many rows were repeated and backward.

    A row that repeats the time before it fills cells that were empty there: some loggers write each signal in
    a row of its own.
    """
    if len(time) < 2 or (time[1:] > time[:-1]).all():
        return time, 0, 0
    best = np.maximum.accumulate(time)
    rises = time[1:] > best[:-1]
    back = np.concatenate(([False], time[1:] < best[:-1]))
    backward = int(np.count_nonzero(back))
    repeated = len(rises) - int(np.count_nonzero(rises)) - backward
    if 2 * backward > len(time):
        at = int(np.flatnonzero(back)[0]) + 1
        what = f"time goes backwards in {backward} of {len(time)} rows, first in row {at} of the data"
        raise UserError(what, where, "choose the time column with --time-column, or cut the file there")
    if backward:
        notes.append(f"{plural(backward, 'row')} with a backward time stamp dropped")
    first = np.concatenate(([True], rises))
    if repeated:
        filled = _fill_repeats(first, ~back, values)
        more = f", {plural(filled, 'empty cell')} filled from them" if filled else ""
        notes.append(f"{plural(repeated, 'row')} with a repeated time stamp dropped{more}")
    for role in values:
        values[role] = values[role][first]
    return time[first], repeated, backward


def _fill_repeats(first: Bools, kept: Bools, values: dict[str, Floats]) -> int:
    """Give the first row of each time stamp, where its cell is empty, the first cell that is not."""
    filled = 0
    starts = np.flatnonzero(first[kept])
    for role, column in values.items():
        part = column[kept]
        order = np.where(np.isnan(part), len(part), np.arange(len(part)))
        source = np.minimum.reduceat(order, starts)
        late = (source < len(part)) & (source != starts)
        filled += int(np.count_nonzero(late))
        whole = column.copy()
        whole[np.flatnonzero(kept)[starts[late]]] = part[source[late]]
        values[role] = whole
    return filled


def _channel(role: str, chosen: Chosen, raw: Floats, choice: ColumnChoice, where: str) -> Channel:
    unit = chosen.unit
    if unit:
        unit = ROLE_UNITS[role][kind_of(chosen.unit)]
        with np.errstate(over="ignore"):
            raw = convert(raw, chosen.unit, unit)
    else:
        unit = "number"
    if role == "height" and choice.height_offset_mm:
        if unit != "mm":
            raise UserError(f"--height-offset is in mm and the height in {unit}", where, "leave it out")
        raw = raw + choice.height_offset_mm
    valid = np.isfinite(raw)
    if np.isinf(raw).any():  # what is too large for its unit is no measurement
        raw = np.where(valid, raw, np.nan)
    return Channel(chosen.column.title, role, unit, raw, valid)


def _check_time_unit(table: Table, usual: float, where: str) -> None:
    chosen = table.chosen.get(TIME)
    if chosen is None or table.clock or chosen.unit_from != "assumed" or usual < 1.0:
        return
    what = f"the time has no unit, and as seconds its steps would be {usual:g} s"
    raise UserError(what, where, f"give --time-column {chosen.column.number}:UNIT, UNIT such as ms or us")


def _gaps(time: Floats, steps: Floats, usual: float, notes: list[str]) -> list[tuple[float, float]]:
    at = np.flatnonzero(steps > GAP_STEPS * usual)
    if len(at) > _LISTED_GAPS:
        notes.append(f"{len(at)} gaps, the first {_LISTED_GAPS} listed")
    return [(float(time[i]), float(time[i + 1])) for i in at[:_LISTED_GAPS]]


def _described(column: Column, chosen: list[Chosen] | None) -> list[Column]:
    if chosen is None:
        return [column]
    return [replace(column, role=one.role, unit=one.unit, unit_from=one.unit_from) for one in chosen]
