"""What a replay says of the log of the car's own controller."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from bench.document.blocks import Block, Cell, Section, Table, Text
from bench.replay.figure import Axis
from bench.replay.logged_figure import disagrees
from bench.trace.text import percent, quoted

_SCREEN_ROWS = 8


def logged_section(facts: dict[str, Any], axis: Axis) -> Iterator[Section]:
    """The section of a trace that has a log; none for others."""
    logged = facts["logged"]
    if logged is None:
        return
    blocks: list[Block] = [Text(list(_sentences(logged)), "Logged against replayed")]
    if logged["launches"]:
        blocks.append(_totals(logged))
    if logged["stretches"]:
        blocks.append(_stretches(facts, axis))
    yield Section("Logged against replayed", blocks)


def _sentences(logged: dict[str, Any]) -> Iterator[str]:
    columns = ", ".join(f"{name} {quoted(title)}" for name, title in logged["columns"].items())
    yield f"The trace says what the car's own controller did: {columns}."
    exact = logged["tick_by_tick"]
    if exact is not None:
        yield _tick_by_tick(exact)
        return
    yield _delay(logged)
    if logged["agree_share"] is None:
        yield "No sample of it lies in a run, so there is nothing to compare."
        return
    tolerance = logged["tolerance"]
    where = "the runs" if logged["compared"] == "the runs" else "the trace"
    text = (
        f"Within {tolerance['reduction_percent']:g} % and {tolerance['retard_deg']:g}° they agree in"
        f" {percent(logged['agree_share'])} of {where} ({logged['agree_s']:.3f} s of"
        f" {logged['compared_s']:.3f} s)."
    )
    if logged["same_reason_share"] is not None:
        text += f" Where both reduce, the reason is the same in {percent(logged['same_reason_share'])}."
    yield text


def _delay(logged: dict[str, Any]) -> str:
    delay = logged["delay_ms"]
    if logged["delay_beyond_range"]:
        return (
            f"No delay within {logged['delay_range_ms']:g} ms fits, so they are compared as they stand. Do"
            " the clock and the calibration belong to this run?"
        )
    if delay is None:
        return "No delay was found, because one of the two never cuts more; they are compared as they stand."
    if delay == 0:
        return "The delay between the two is 0 ms: so their commands rise together best."
    late = "after" if delay > 0 else "before"
    return (
        f"The log comes {abs(delay):g} ms {late} the replay: so their commands rise together best. That delay"
        " is taken off below, but not in the totals."
    )


def _tick_by_tick(exact: dict[str, Any]) -> str:
    count = f"{exact['ticks']} ticks"
    if not exact["different"]:
        return (
            f"It is a device's own recording: all {count} equal the replay in reduction,"
            " retard, reason and faults."
        )
    names = ", ".join(f"{name} in {n}" for name, n in exact["different_in"].items())
    return (
        f"It is a device's own recording, and {exact['different']} of {count} differ from the replay"
        f" ({names}), the first at {exact['first_s']:.3f} s of the trace: another calibration, another"
        " firmware, or a recording that was changed."
    )


def _totals(logged: dict[str, Any]) -> Table:
    rows = []
    many = len(logged["launches"]) > 1
    for one in logged["launches"]:
        for side in ("replayed", "logged"):
            row = [f"{side}, launch {one['launch']}" if many else side, *_figures(one[side])]
            rows.append(row)
    return Table(
        (("", False), ("peak", True), ("retard", True), ("torque-time", True), ("first cut\nat s", True),
         ("hold ends\nat s", True), ("torque\nleft", True)),
        rows,
        "Totals, each as recorded (seconds since the launch)",
        "The first cut is the first beyond the tolerance; its hold ends when it is last within the tolerance"
        " of its peak. Torque left: an estimate from the command.",
    )  # fmt: skip


def _figures(one: dict[str, Any]) -> list[str]:
    def shown(key: str, per: float, decimals: int, unit: str = "") -> str:
        return "-" if one[key] is None else f"{one[key] / per:.{decimals}f}{unit}"

    return [
        shown("peak_reduction_permille", 10, 1, " %"), shown("peak_retard_ddeg", 10, 1, "°"),
        shown("full_cut_s", 1, 3, " s"), shown("first_cut_s", 1, 3), shown("hold_ends_s", 1, 3),
        shown("estimated_share_left", 0.01, 1, " %"),
    ]  # fmt: skip


def _stretches(facts: dict[str, Any], axis: Axis) -> Table:
    logged = facts["logged"]
    unit = facts["calibration"]["progress_unit"]
    rows = []
    for one in logged["stretches"]:
        reason = one["reason"] + (f"; log: {one['logged_reason']}" if one["logged_reason"] else "")
        jump = axis.part(one["tick"], one["duration_s"], one["tick"])
        rows.append([
            Cell("-" if one["launch"] is None else str(one["launch"]), jump=jump),
            f"{one['since_launch_s']:.3f}", f"{one['duration_s']:.3f}", disagrees(one),
            f"{one['height_mm']:.0f}", f"{one['progress']:g}", f"{one['demand_permille'] / 10:.1f} %",
            reason,
        ])  # fmt: skip
    count = logged["stretches_in_all"]
    more = count - len(rows)
    return Table(
        (("run", True), ("start s", True), ("lasts", True), ("log minus\nreplay", True), ("height\nmm", True),
         (f"progress\n{unit}", True), ("demand", True), ("reason", False)),
        rows,
        f"{count} stretch{'' if count == 1 else 'es'} in which they disagree (height and all else at the"
        " beginning, of the replay)",
        "Shown is the greatest difference. Stretches of less than 10 ms are left out."
        + (f" And {more} more." if more else ""),
        screen_rows=_SCREEN_ROWS,
    )  # fmt: skip
