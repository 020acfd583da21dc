"""What a figure of a replay draws of the log of the car's own controller."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

from bench.document.blocks import Line, Row
from bench.document.columns import Column
from bench.document.patterns import REASON_BARS, STATE_BARS
from bench.replay import codes
from bench.replay.decimate import Ticks
from bench.replay.figure_data import state_name
from bench.replay.findings import Replay
from bench.replay.logged import known
from bench.trace.packed import distinct, each_packed

_COMMANDS = {"reduction": "%", "retard": "°", "demand": "%"}


def logged_columns(s: Replay, part: Ticks) -> dict[str, Column]:
    """The columns logged_NAME of what the log has."""
    columns = {}
    for name, values in s.logged_ticks.items():
        if name in _COMMANDS:
            columns[f"logged_{name}"] = Column(partial(part.of, values), 10, _COMMANDS[name], 1)
        elif name in ("reason", "state"):
            columns[f"logged_{name}"] = Column(partial(part.codes, each_packed(known, values)))
    return columns


def reduction_lines(s: Replay) -> Iterator[Line]:
    """The log's lines in the panel of the reduction."""
    if "reduction" in s.logged_ticks:
        yield Line("logged", "logged_reduction", "fourth", stepped=True)
    if "demand" in s.logged_ticks:
        yield Line("logged demand", "logged_demand", "thin", stepped=True)


def retard_lines(s: Replay) -> Iterator[Line]:
    """The log's line in the panel of the retard."""
    if "retard" in s.logged_ticks:
        yield Line("logged", "logged_retard", "fourth", stepped=True)


def logged_rows(s: Replay) -> Iterator[Row]:
    """The log's state and reason, as bars under ours."""
    if "state" in s.logged_ticks:
        words = {n: state_name(n) if n in codes.STATES else f"state {n}" for n in _numbers(s, "state")}
        yield Row("log: it", "logged_state", STATE_BARS, words)
    if "reason" in s.logged_ticks:
        words = {n: codes.reason_name(n) for n in _numbers(s, "reason")}
        yield Row("log: by", "logged_reason", REASON_BARS, words)


def disagrees(stretch: dict[str, Any]) -> str:
    """The greatest difference of a stretch, logged minus replayed, in words."""
    words = []
    for name, unit in (("reduction", " %"), ("retard", "°")):
        one = stretch["commands"].get(name)
        if one is not None:
            most = one["most_more"] if one["most_more"] >= one["most_less"] else -one["most_less"]
            words.append(f"{most / 10:+.1f}{unit}")
    return ", ".join(words)


def _numbers(s: Replay, name: str) -> list[int]:
    return [number for number in distinct(s.logged_ticks[name]) if number > 0]
