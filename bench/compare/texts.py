"""The sentences and cells of a comparison, made from its facts."""

from __future__ import annotations

from typing import Any

from bench.trace.text import shown_path

_NAME = 40


def change_rows(change: dict[str, Any]) -> list[tuple[str, str, str]]:
    """A change as rows of key, A and B: one for the whole key, or one for each value of a list."""
    defaults = [" (default)" if change[f"{side}_default"] else "" for side in "ab"]
    if not change["points"]:
        return [(change["key"], change["a_text"] + defaults[0], change["b_text"] + defaults[1])]
    sign = f" {change['unit']}" if change["unit"] else ""
    return [
        (f"{change['key']} at {point['at']}", f"{point['a']:.6g}{sign}", f"{point['b']:.6g}{sign}")
        for point in change["points"]
    ]


def map_lines(calibration: dict[str, Any]) -> list[str]:
    """Where the compiled maps differ most, in words."""
    most, along = calibration["maps_furthest_apart"], calibration["progress_unit"]
    if most is None:
        return ["The maps go by speed in one and by time in the other, so they are not compared."]
    found = []
    for name, unit in (("reduction", "%"), ("retard", "degrees")):
        one = most[name]
        if one["a"] != one["b"]:
            found.append(
                f"The {name} maps are furthest apart at a lift of {one['lift_mm']:g} mm and"
                f" {one['progress']:g} {along}: {one['a']:.1f} and {one['b']:.1f} {unit}."
            )
    return found


def figures(one: dict[str, Any]) -> list[str]:
    """The figures of a launch as they are printed."""
    reasons = ", ".join(f"{reason['name']} {reason['time_s']:.3f} s" for reason in one["reasons"])
    return [
        f"{one['peak_reduction_permille'] / 10:.1f}", f"{one['peak_retard_ddeg'] / 10:.1f}",
        f"{one['full_cut_s']:.3f}", f"{100 * one['share_taken']:.1f}", str(one["interventions"]),
        *(_seconds(one[key]) for key in ("first_cut_s", "given_back_s", "last_given_back_s")),
        reasons or "-",
    ]  # fmt: skip


def logged_figures(one: dict[str, Any]) -> list[str]:
    """The same of what the car's own controller did, as far as a log tells; its times are as recorded."""
    known = [one["peak_reduction_permille"], one["peak_retard_ddeg"]]
    return [
        *("-" if value is None else f"{value / 10:.1f}" for value in known),
        _seconds(one["full_cut_s"]), "-" if one["share_taken"] is None else f"{100 * one['share_taken']:.1f}",
        "-", _seconds(one["first_cut_s"]), "-", "-", "-",
    ]  # fmt: skip


def _seconds(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def places(difference: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """The rows of the first and the greatest difference, those that are there."""
    rows = [
        ("first", difference["first"]),
        ("greatest, reduction", difference["greatest_reduction"]),
        ("greatest, retard", difference["greatest_retard"]),
    ]
    return [(words, row) for words, row in rows if row is not None]


def place(row: dict[str, Any], many: bool) -> list[str]:
    """When, what A and the other command there, and for what reason."""
    commands = [
        f"{row[side]['reduction_permille'] / 10:.1f} %, {row[side]['retard_ddeg'] / 10:.1f}°" for side in "ab"
    ]
    return [when(row, many), *commands, *(_because(row[side]) for side in "ab")]


def when(row: dict[str, Any], many: bool) -> str:
    """Seconds since the launch, with its number where there are several; of the trace before all."""
    number = f"{row['launch'] or '-'}: " if many else ""
    return f"{number}{row['since_launch_s']:.3f}"


def _because(side: dict[str, Any]) -> str:
    state = side["state"].replace("_", " ")
    if side["reason"] == "none":
        return "retard only" if side["retard_ddeg"] else "-"
    return f"{side['reason']}, {state}"


def stretch(span: dict[str, Any], many: bool) -> list[str]:
    """A stretch of difference: from, to, and what the other commands more or less."""
    until = {**span, "since_launch_s": span["since_launch_s"] + span["duration_s"]}
    return [
        when(span, many), when(until, many),
        _more_less(span["most_more_reduction_permille"], span["most_less_reduction_permille"], " %"),
        _more_less(span["most_more_retard_ddeg"], span["most_less_retard_ddeg"], "°"),
        f"{span['full_cut_s']:+.3f} s",
    ]  # fmt: skip


def _more_less(more: int, less: int, unit: str) -> str:
    parts = [f"-{less / 10:.1f}"] if less else []
    parts += [f"+{more / 10:.1f}"] if more else []
    return f"{' .. '.join(parts)}{unit}" if parts else "-"


def since(span: dict[str, Any], many: bool) -> str:
    """When a stretch began, in words."""
    if span["launch"] is None:
        return f"at {span['since_launch_s']:.3f} s of the trace"
    return f"{span['since_launch_s']:.3f} s after launch{' ' + str(span['launch']) if many else ''}"


def run_name(facts: dict[str, Any], run: dict[str, int]) -> str:
    """A run as its trace is called, with the launch where the trace has several."""
    trace = facts["traces"][run["trace"] - 1]
    launch = f", launch {run['launch']}" if len(trace["sides"][0]["launches"]) > 1 else ""
    return shown_path(trace["label"], _NAME) + launch
