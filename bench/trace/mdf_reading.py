"""Reading MDF 4 (ASAM standard) with the library of the extra `mdf`, in a process of its own (see mdf.py)."""

from __future__ import annotations

import gc
import logging
import os
import pickle
import sys
import traceback
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from bench.errors import UserError
from bench.trace.cells import cells_for
from bench.trace.choice import Chosen, ColumnChoice, ColumnSample, HeaderColumn, choose
from bench.trace.dialect import switch_value
from bench.trace.layout import given_layout, nearby_layout
from bench.trace.model import Column, Floats
from bench.trace.roles import SWITCH_ROLES, TIME, WORD_ROLES, name_of
from bench.trace.survey import ColumnFacts, number_text
from bench.trace.table import Table
from bench.trace.text import plural, quoted, shown

T = TypeVar("T")


def read_mdf(path: Path, choice: ColumnChoice) -> Table:
    """The chosen channels of an MDF 4 file. A column number counts the channels in the order of the file,
    time channels left out. Channels of different rates share the union of their times, NaN where one has no
    sample.

    Raises UserError where the file is damaged or a channel cannot be used.
    """
    return _with_file(path, lambda mdf: _read(mdf, choice, path))


def survey_mdf(path: Path) -> tuple[list[ColumnFacts], str]:
    """(what each channel holds, the form of the file)."""

    def every(mdf: Any) -> tuple[list[ColumnFacts], str]:
        columns, places = _channels(mdf)
        facts = [_facts(mdf, column, *place) for column, place in zip(columns, places, strict=True)]
        return facts, _form(mdf, columns)

    return _with_file(path, every)


def _with_file(path: Path, do: Callable[[Any], T]) -> T:
    import asammdf

    logging.getLogger("asammdf").setLevel(logging.CRITICAL)  # it would write beside our one line
    try:
        with asammdf.MDF(path) as mdf:
            return do(mdf)
    except (UserError, MemoryError):
        raise
    except Exception as error:
        _bury(error)
        what = f"damaged or not an MDF 4 file ({shown(str(error) or type(error).__name__, 60)})"
        raise UserError(what, path, "export it again") from None


def _form(mdf: Any, columns: Sequence[HeaderColumn]) -> str:
    return f"MDF {mdf.version} ({plural(len(columns), 'channel')})"


def _facts(mdf: Any, column: HeaderColumn, group: int, index: int) -> ColumnFacts:
    raw = mdf.get(group=group, index=index).samples
    facts = ColumnFacts(column, rows=len(raw))
    if len(raw) == 0:
        return facts
    some = raw[[0, len(raw) // 2, len(raw) - 1]].tolist()
    if raw.dtype.kind not in "iufb" or raw.ndim != 1:
        texts = [_text(one) for one in some]
        switch = all(_is_switch(_text(one)) for one in set(raw.tolist())) if raw.ndim == 1 else False
        sample = ColumnSample("text", switch=switch)
        return replace(facts, column=replace(column, sample=sample), kind="text", samples=texts)
    values = raw.astype(np.float64)
    known = values[np.isfinite(values)]
    if len(known) == 0:
        return replace(facts, empty=len(raw))
    least, greatest = float(known.min()), float(known.max())
    switch = bool(np.isin(known, (0.0, 1.0)).all())
    return ColumnFacts(
        replace(column, sample=ColumnSample("number", least, greatest, switch=switch)), "number", len(raw),
        len(raw) - len(known), 0, least, greatest, int(np.count_nonzero(np.diff(known))),
        [number_text(float(one)) if np.isfinite(one) else "" for one in some],
    )  # fmt: skip


def _is_switch(text: str) -> bool:
    try:
        switch_value(text, ".")
    except ValueError:
        return False
    return True


def _bury(error: Exception) -> None:
    """Let go of the half-made reader behind an error: its own end fails too, and would be heard."""
    told, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        traceback.clear_frames(error.__traceback__)
        gc.collect()
    finally:
        sys.unraisablehook = told


def _read(mdf: Any, choice: ColumnChoice, path: Path) -> Table:
    where = str(path)
    columns, places = _channels(mdf)
    if not columns:
        raise UserError("the file holds no channels", where, "export it again")
    notes: list[str] = []
    layout = given_layout(choice.layouts, path)
    if layout is None and not choice.layouts:
        layout = nearby_layout(path, lambda: [column.title for column in columns])
    if layout is not None:
        how = "as given" if choice.layouts else "found next to the trace by its header"
        notes.append(f"layout: {layout.path} ({how})")
    chosen = choose(columns, True, choice, where, True, layout, notes)
    times: dict[str, Floats] = {}
    samples: dict[str, Floats] = {}
    for role, column in chosen.items():
        group, index = places[column.column.number - 1]
        times[role], samples[role] = _signal(mdf, group, index, column, where)
    values = _on_one_time(times, samples, notes)
    own = Chosen(TIME, HeaderColumn(0, "", "", None, ""), "s", "file")
    return Table(
        form=_form(mdf, columns),
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
    label = f"channel {chosen.column.number} {quoted(chosen.column.title, 200)} ({name_of(chosen.role)})"
    raw = signal.samples
    cells = cells_for(chosen, ".")
    if chosen.role in SWITCH_ROLES or (chosen.role in WORD_ROLES and raw.dtype.kind not in "iufb"):
        try:
            table = {key: cells.cell(_text(key)) for key in set(raw.tolist())}
        except ValueError as error:
            what = f"{label} holds {quoted(str(error))}"
            raise UserError(what, where, cells.right) from None
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
            notes.append(
                f"{name_of(role)}: {plural(dropped, 'sample')} with a repeated or backward time dropped"
            )
            times[role], samples[role] = time[rises], samples[role][rises]
    union = np.unique(np.concatenate(list(times.values())))
    values = {TIME: union}
    for role, time in times.items():
        values[role] = np.full(len(union), np.nan)
        values[role][np.searchsorted(union, time)] = samples[role]
    notes.append("channels of different rates: their times are merged")
    return values


def main() -> None:
    """Answer one request: a pickle on standard input, ("read", path, choice) or ("survey", path); the answer,
    a pickle on standard output: (True, result) or (False, what, where, right)."""
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what the library prints is no answer
    what, *arguments = pickle.load(sys.stdin.buffer)
    try:
        answer: tuple[bool, Any] = (True, read_mdf(*arguments) if what == "read" else survey_mdf(*arguments))
    except UserError as error:
        answer = (False, (error.what, error.where, error.right))
    with out:
        pickle.dump(answer, out, protocol=5)


if __name__ == "__main__":
    main()
