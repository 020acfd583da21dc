"""From columns as read to a trace: units, times that rise, repeated stamps, gaps."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bench.errors import UserError
from bench.trace.choice import Chosen, ColumnChoice
from bench.trace.layout import ColumnRule
from bench.trace.model import GAP_STEPS, Bools, Channel, Column, Floats, Trace
from bench.trace.naming import source_of
from bench.trace.roles import HEIGHT, LOGGED_REDUCTION, ROLE_UNITS, SPEED, SWITCH_ROLES, TIME, name_of
from bench.trace.text import plural
from bench.units import ROTATION, convert, kind_of

_DAY_S = 86400.0
_LISTED_GAPS = 1000
_UNEVEN = 0.1
_LATEST_NS = 10**15
"""A time further from the file's zero than this (11.6 days) is not counted from there: as seconds in a float
it would not be exact to the nanosecond."""


@dataclass(frozen=True)
class Table:
    """The chosen columns of a file in the file's own units, one entry a row; `clock` for times of day in
    seconds. With `first_ns` the time is in nanoseconds since that one, exactly; without it in its own unit. A
    table without time needs a rate; a time that is no column has the number 0."""

    form: str
    columns: tuple[Column, ...]
    chosen: Mapping[str, Chosen]
    values: dict[str, Floats]
    clock: bool
    notes: list[str]
    first_ns: int | None = None
    rate_hz: float | None = None


def to_trace(table: Table, choice: ColumnChoice, path: Path, size_bytes: int, digest: str) -> Trace:
    """The trace of a table. The table's arrays are used up: they become the trace's own, or are let go.

    Raises UserError where fewer than two rows have a time, where most rows go backwards in time, and where
    the unit of time cannot be what was assumed."""
    where = str(path)
    notes = list(table.notes)
    values = table.values
    rows = len(next(iter(values.values())))
    start_ns, time = _nanoseconds(table, choice, rows, notes)
    notes += _sources(table)
    if choice.height_offset_mm:
        notes.append(f"height: {choice.height_offset_mm:g} mm added (--height-offset)")

    numbers: npt.NDArray[np.int64] | None = None
    untimed = int(np.count_nonzero(np.isnan(time)))
    if untimed:
        notes.append(f"{plural(untimed, 'row')} without a time dropped")
        kept = ~np.isnan(time)
        numbers = np.flatnonzero(kept)
        time = time[kept]
        for role in values:
            values[role] = values[role][kept]
    time, repeated, backward, first = _rising(time, values, where, notes)
    if first is not None:
        numbers = np.flatnonzero(first) if numbers is None else numbers[first]
    if len(time) < 2:
        raise UserError(
            f"{plural(len(time), 'row')} of numbers",
            where,
            "a trace needs two rows with rising time at least",
        )
    epoch_ns = _to_seconds(time, start_ns, notes)

    channels = {}
    for role in list(values):
        channels[role] = _channel(role, table.chosen[role], values.pop(role), choice, where)
    if not channels[HEIGHT].valid.any():
        raise UserError(
            "every cell of the height column is empty", where, "choose another with --height-column"
        )

    usual = float(np.median(np.diff(time), overwrite_input=True))
    steps = np.diff(time)
    low, high = (1 - _UNEVEN) * usual, (1 + _UNEVEN) * usual
    _check_time_unit(table, usual, where)
    gaps = np.flatnonzero(steps > GAP_STEPS * usual)
    if len(gaps) > _LISTED_GAPS:
        notes.append(f"{len(gaps)} gaps, the first {_LISTED_GAPS} listed")
        gaps = gaps[:_LISTED_GAPS]
    return Trace(
        path=path,
        form=table.form,
        size_bytes=size_bytes,
        digest=digest,
        time_s=time,
        channels=channels,
        columns=tuple(_described(table)),
        notes=notes,
        gaps=[(float(time[i]), float(time[i + 1])) for i in gaps],
        rate_hz=1.0 / usual,
        uneven=bool(np.count_nonzero((steps < low) | (steps > high)) > 0.01 * len(steps)),
        rows=rows,
        repeated=repeated,
        backward=backward,
        untimed=untimed,
        epoch_ns=epoch_ns,
        gap_rows=tuple(int(i if numbers is None else numbers[i]) + 1 for i in gaps),
        run=choice.run,
    )


def _nanoseconds(table: Table, choice: ColumnChoice, rows: int, notes: list[str]) -> tuple[int, Floats]:
    """(the first time, the times since it), nanoseconds. Takes the time out of the table's values."""
    rate = choice.rate_hz or table.rate_hz
    if rate is not None:
        by = "--rate" if choice.rate_hz else "the layout"
        notes.append(f"time: from {by}, {rate:g} rows a second")
        return 0, np.rint(np.arange(rows, dtype=np.float64) * (1e9 / rate))
    time = table.values.pop(TIME)
    if table.first_ns is not None:
        return table.first_ns, time
    if table.clock:
        time = _through_midnight(time, notes)
    else:
        time = convert(time, table.chosen[TIME].unit, "s")
    known = np.flatnonzero(np.isfinite(time))
    start = float(time[known[0]]) if len(known) else 0.0
    return round(start * 1e9), np.rint(time * 1e9) - round(start * 1e9)


def _to_seconds(time: Floats, start_ns: int, notes: list[str]) -> int | None:
    """Turn nanoseconds since the first into seconds, in place: counted as the file does, or from the first
    row where that would not be exact. Gives the file's time of 0 in the latter case."""
    if max(abs(start_ns), abs(start_ns + int(time[-1]))) <= _LATEST_NS:
        time += float(start_ns)
        time /= 1e9
        return None
    epoch_ns = start_ns + int(time[0])
    time -= float(time[0])
    time /= 1e9
    notes.append(f"time: counted from the first row, which the file has at {_long_time(epoch_ns)}")
    return epoch_ns


def _long_time(ns: int) -> str:
    """A time far from its zero, in seconds to the nanosecond, and as a date where it can be one from 1970."""
    seconds, rest = divmod(ns, 10**9)
    text = f"{seconds}.{rest:09d}".rstrip("0").rstrip(".") + " s"
    if 10**8 < seconds < 10**10:
        date = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
        text += f" ({date:%Y-%m-%d %H:%M:%S} UTC, if it counts from 1970)"
    return text


def _through_midnight(raw: Floats, notes: list[str]) -> Floats:
    """Clock times that go on over midnight."""
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
        text = f"{name_of(role)}: {chosen.column.label}"
        if chosen.unit and chosen.unit != "bool" and not (role == TIME and table.clock):
            how = "assumed" if chosen.unit_from == "assumed" else f"from {chosen.unit_from}"
            text += f", unit {chosen.unit} ({how})"
        notes.append(text + _by_rule(chosen))
    return notes


def _by_rule(chosen: Chosen) -> str:
    """What a layout does to a column, in words."""
    rule, parts = chosen.rule, []
    if rule is None:
        return ""
    if rule.factor != 1.0:
        parts.append(f"times {rule.factor:g}")
    if rule.offset:
        parts.append(f"{rule.offset:+g} {chosen.unit}")
    if rule.delay_s:
        parts.append(f"written {1000 * rule.delay_s:g} ms late")
    if rule.sense != "on":
        parts.append(f"counts when {rule.sense}")
    if rule.source:
        parts.append(f"of the {rule.source}")
    return f"; {', '.join(parts)} (layout)" if parts else ""


def _rising(
    time: Floats, values: dict[str, Floats], where: str, notes: list[str]
) -> tuple[Floats, int, int, Bools | None]:
    """Times that rise strictly, with `values` thinned alongside; how many rows were repeated and backward;
    which rows were kept (None for all).

    A row that repeats the time before it fills cells that were empty there: some loggers write each signal in
    a row of its own.
    """
    if len(time) < 2 or (time[1:] > time[:-1]).all():
        return time, 0, 0, None
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
    return time[first], repeated, backward, first


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
    rule = chosen.rule or ColumnRule("")
    raw = _scaled(role, chosen, rule, raw)
    unit = ROLE_UNITS[role][_kept_kind(role, chosen)] if chosen.unit else "number"
    if role == HEIGHT and choice.height_offset_mm:
        if unit != "mm":
            raise UserError(f"--height-offset is in mm and the height in {unit}", where, "leave it out")
        raw = raw + choice.height_offset_mm
    if role in SWITCH_ROLES and rule.sense != "on":
        raw = _sensed(raw, rule.sense)
    valid = np.isfinite(raw)
    if np.isinf(raw).any():  # what is too large for its unit is no measurement
        raw = np.where(valid, raw, np.nan)
    source = ""
    if role == SPEED:
        source = rule.source or source_of(chosen.column.name, chosen.unit)
    return Channel(chosen.column.title, role, unit, raw, valid, rule.delay_s, source, rule.curve)


def _kept_kind(role: str, chosen: Chosen) -> str:
    kind = kind_of(chosen.unit)
    return SPEED if role == SPEED and kind == ROTATION else kind


def _scaled(role: str, chosen: Chosen, rule: ColumnRule, raw: Floats) -> Floats:
    """The numbers of a column in the unit in which a trace keeps its signal."""
    if rule.factor != 1.0 or rule.offset:
        raw = raw * rule.factor + rule.offset
    if not chosen.unit or role in SWITCH_ROLES:
        return raw
    kind = kind_of(chosen.unit)
    with np.errstate(over="ignore"):
        if role == LOGGED_REDUCTION and chosen.unit == "cylinders":
            return raw * (100.0 / (rule.cylinders or 1))
        if role == SPEED and kind == ROTATION:
            # turns a minute of the shaft, through the axle, times the way of one turn of the wheel
            metres_a_minute = (
                convert(raw, chosen.unit, "rpm") / rule.ratio * math.pi * (rule.tyre_mm or 0.0) / 1000
            )
            return metres_a_minute * 0.06
        return convert(raw, chosen.unit, ROLE_UNITS[role][kind])


def _sensed(raw: Floats, sense: str) -> Floats:
    """A switch that counts when it is off; or from the moment on at which it is pressed or released, until
    that is undone ("released": until it is pressed again; "pressed": until it is pressed anew)."""
    known = ~np.isnan(raw)
    if sense == "off":
        return np.where(known, 1.0 - raw, np.nan)
    if not known.any():
        return raw
    at = np.maximum.accumulate(np.where(known, np.arange(len(raw)), -1))
    on = (raw[np.maximum(at, 0)] > 0.5) & (at >= 0)
    pressed = np.flatnonzero(on & ~np.concatenate(([False], on[:-1])))
    result = np.where(known, 0.0, np.nan)
    if len(pressed) == 0:
        return result
    since = np.arange(len(raw)) >= pressed[0]
    if sense == "released":
        return np.where(known, (since & ~on).astype(np.float64), np.nan)
    result = np.where(known, since.astype(np.float64), np.nan)
    result[pressed[1:] - 1] = 0.0  # a new launch begins with an edge
    return result


def _check_time_unit(table: Table, usual: float, where: str) -> None:
    chosen = table.chosen.get(TIME)
    if chosen is None or table.clock or chosen.unit_from != "assumed" or usual < 1.0:
        return
    what = f"the time has no unit, and as seconds its steps would be {usual:g} s"
    raise UserError(what, where, f"give --time-column {chosen.column.number}:UNIT, UNIT such as ms or us")


def _described(table: Table) -> list[Column]:
    """Every column, once for each signal that it was taken for."""
    used: dict[int, list[Chosen]] = {}
    for chosen in table.chosen.values():
        used.setdefault(chosen.column.number, []).append(chosen)
    return [
        replace(column, role=one.role, unit=one.unit, unit_from=one.unit_from) if one else column
        for column in table.columns
        for one in used.get(column.number) or (None,)
    ]
