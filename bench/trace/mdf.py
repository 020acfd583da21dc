"""Reading MDF 4 (ASAM standard) through the extra `mdf`."""

from __future__ import annotations

import gc
import logging
import re
import sys
import traceback
from pathlib import Path
from typing import Any

import numpy as np

from bench.errors import UserError
from bench.trace.choice import Chosen, ColumnChoice, HeaderColumn, choose
from bench.trace.dialect import switch_value
from bench.trace.model import Column, Floats
from bench.trace.roles import SWITCH_ROLES, TIME
from bench.trace.source import Progress
from bench.trace.table import Table
from bench.trace.text import plural, quoted, shown


def read_mdf(path: Path, choice: ColumnChoice, progress: Progress | None = None) -> Table:
    """The chosen channels of an MDF 4 file. A column number counts the channels in the order of the file,
    time channels left out. Channels of different rates share the union of their times, NaN where one has no
    sample.

    Raises UserError where the extra is not installed, the file is damaged or of another version, or a channel
    cannot be used.
    """
    where = str(path)
    _refuse_text_options(choice, where)
    _check_version(path, where)
    try:
        import asammdf
    except ImportError:
        raise UserError("reading MDF 4 needs an extra", where, "pip install 'liftlatch[mdf]'") from None
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)  # it would write beside our one line
    try:
        with asammdf.MDF(path) as mdf:
            return _read(mdf, choice, where, progress)
    except (UserError, MemoryError):
        raise
    except Exception as error:
        _bury(error)
        what = f"damaged or not an MDF 4 file ({shown(str(error) or type(error).__name__, 60)})"
        raise UserError(what, where, "export it again") from None


def _bury(error: Exception) -> None:
    """Let go of the half-made reader behind an error: its own end fails too, and would be heard."""
    told, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        traceback.clear_frames(error.__traceback__)
        gc.collect()
    finally:
        sys.unraisablehook = told


def _refuse_text_options(choice: ColumnChoice, where: str) -> None:
    for name, given in (
        ("--rate", choice.rate_hz),
        ("--delimiter", choice.delimiter),
        ("--decimal", choice.decimal),
        ("--time-column", choice.columns.get(TIME)),
    ):
        if given is not None:
            raise UserError(f"{name} does not apply to MDF 4", where, "leave it out")


def _check_version(path: Path, where: str) -> None:
    """The identification block (64 bytes, version at byte 8, ASAM MDF 4) must be whole and name a version
    4."""
    with open(path, "rb") as stream:
        block = stream.read(64)
    version = block[8:16].rstrip(b" \0").decode("latin-1")
    if block.startswith(b"UnFinMF"):
        raise UserError("the MDF file was never finished by its logger", where, "finish or export it again")
    if len(block) < 64 or not re.fullmatch(r"\d\.\d\d", version, re.ASCII):
        raise UserError("damaged or not an MDF 4 file", where, "export it again")
    if not version.startswith("4"):
        raise UserError(f"this is MDF {version}", where, "convert it to MDF 4")


def _read(mdf: Any, choice: ColumnChoice, where: str, progress: Progress | None) -> Table:
    columns, places = _channels(mdf)
    if not columns:
        raise UserError("the file holds no channels", where, "export it again")
    chosen = choose(columns, True, choice, where, own_time=True)
    notes: list[str] = []
    times: dict[str, Floats] = {}
    samples: dict[str, Floats] = {}
    for done, (role, column) in enumerate(chosen.items(), 1):
        group, index = places[column.column.number - 1]
        times[role], samples[role] = _signal(mdf, group, index, column, where)
        if progress is not None:
            progress(done / len(chosen))
    values = _on_one_time(times, samples, notes)
    own = Chosen(TIME, HeaderColumn(0, "", "", None, ""), "s", "file")
    return Table(
        form=f"MDF {mdf.version} ({plural(len(columns), 'channel')})",
        columns=tuple(Column(column.number, column.title) for column in columns),
        chosen={TIME: own} | chosen,
        values=values,
        clock=False,
        notes=notes,
    )


def _channels(mdf: Any) -> tuple[list[HeaderColumn], list[tuple[int, int]]]:
    """Every channel but the time channels, and its (group, index)."""
    columns: list[HeaderColumn] = []
    places: list[tuple[int, int]] = []
    for g, group in enumerate(mdf.groups):
        for i, channel in enumerate(group.channels):
            if i == mdf.masters_db.get(g):
                continue
            unit = str(mdf.get_channel_unit(group=g, index=i) or "").strip()
            columns.append(
                HeaderColumn(len(columns) + 1, channel.name, channel.name, unit or None, "channel")
            )
            places.append((g, i))
    return columns, places


def _signal(mdf: Any, group: int, index: int, chosen: Chosen, where: str) -> tuple[Floats, Floats]:
    """(times in s, values), NaN where a sample is marked invalid or not finite."""
    signal = mdf.get(group=group, index=index)
    label = f"channel {chosen.column.number} {quoted(chosen.column.title)} ({chosen.role.replace('_', ' ')})"
    raw = signal.samples
    if chosen.role in SWITCH_ROLES:
        try:
            table = {key: switch_value(_text(key), ".") for key in set(raw.tolist())}
        except ValueError as error:
            what = f"{label} holds {quoted(str(error))}"
            raise UserError(what, where, "0, 1, on, off, true or false belong there") from None
        values = np.array([table[key] for key in raw.tolist()], dtype=np.float64)
    elif raw.dtype.kind in "iufb" and raw.ndim == 1:
        values = raw.astype(np.float64)
    else:
        raise UserError(f"{label} holds no plain numbers", where, "choose another channel")
    if signal.invalidation_bits is not None:
        values[np.asarray(signal.invalidation_bits, dtype=np.bool_)] = np.nan
    values[~np.isfinite(values)] = np.nan
    return np.array(signal.timestamps, dtype=np.float64), values


def _text(value: object) -> str:
    return value.decode("latin-1") if isinstance(value, bytes) else str(value)


def _on_one_time(times: dict[str, Floats], samples: dict[str, Floats], notes: list[str]) -> dict[str, Floats]:
    """The channels over the union of their times, and that time. Where they share one time it stays as it
    is."""
    first = next(iter(times.values()))
    if all(np.array_equal(time, first) for time in times.values()):
        return {TIME: first} | samples
    for role, time in times.items():
        earlier = np.concatenate(([-np.inf], np.maximum.accumulate(time)[:-1]))
        rises = time > earlier
        dropped = len(time) - int(np.count_nonzero(rises))
        if dropped:
            name = role.replace("_", " ")
            notes.append(f"{name}: {plural(dropped, 'sample')} with a repeated or backward time dropped")
            times[role], samples[role] = time[rises], samples[role][rises]
    union = np.unique(np.concatenate(list(times.values())))
    values = {TIME: union}
    for role, time in times.items():
        values[role] = np.full(len(union), np.nan)
        values[role][np.searchsorted(union, time)] = samples[role]
    notes.append("channels of different rates: their times are merged")
    return values
