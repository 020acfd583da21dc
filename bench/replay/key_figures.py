"""The few figures that answer first, of one launch or of a whole replay: the same for pages and the desk."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bench.replay.findings import Findings, Intervention, Launch, Replay
from bench.replay.logged import Tolerance
from bench.replay.logged_agreement import Overlay, agreement, delay_text
from bench.trace.text import plural, shown

_NAMED = 4  # later interventions whose moment is said


@dataclass(frozen=True)
class KeyFigure:
    """One of them: its name, the bare number (None where there is none), how it is said, and more of it."""

    key: str
    title: str
    value: float | None
    text: str
    more: str = ""


def key_figures(s: Replay, found: Findings, launch: Launch | None = None) -> list[KeyFigure]:
    """The figures of one launch, or of everything that was replayed."""
    mine = [i for i in found.interventions if launch is None or i.launch == launch.number]
    return [
        *_lift(found, launch),
        _greatest_reduction(mine),
        *_torque(found, launch),
        _given_back(mine),
        _interventions(mine),
        _greatest_retard(mine),
        _changes(found, launch),
        *_events(found, launch),
        *_agreement(s),
    ]


def _launches(found: Findings, launch: Launch | None) -> list[Launch]:
    return found.launches if launch is None else [launch]


def _lift(found: Findings, launch: Launch | None) -> Iterator[KeyFigure]:
    launches = _launches(found, launch)
    if launches:
        value = max(one.greatest_lift_mm for one in launches)
        numbers = {one.number for one in launches}
        over = "> " if any(one.beyond for one in found.lifts if one.launch in numbers) else ""
        more = "as recorded: no setting changes a recording"
        yield KeyFigure("lift", "Greatest lift at the axle", value, f"{over}{value:z.0f} mm", more)


def _greatest_reduction(mine: list[Intervention]) -> KeyFigure:
    title = "Greatest reduction"
    most = max(mine, key=lambda i: i.peak_reduction_permille, default=None)
    if most is None or not most.peak_reduction_permille:
        return KeyFigure("cut", title, 0.0, "none", "no torque is cut in this run")
    value = most.peak_reduction_permille / 10
    more = f"{most.peak_since_launch_s:.3f} s after the launch, {shown(most.reason)}"
    return KeyFigure("cut", title, value, f"{value:.1f} %", more)


def _torque(found: Findings, launch: Launch | None) -> Iterator[KeyFigure]:
    if not found.launches:
        return
    one = launch
    taken = one.full_cut_s if one else found.torque["full_cut_s"]
    share = one.share_taken if one else found.torque["share_taken"]
    left = one.estimated_share_left if one else found.torque["estimated_share_left"]
    yield KeyFigure("taken", "Torque-time taken", taken, f"{taken:.3f} s", f"{100 * share:.1f} % of the run")
    yield KeyFigure("left", "Torque left", 100 * left, f"{100 * left:.1f} %", "an estimate")


def _given_back(mine: list[Intervention]) -> KeyFigure:
    title = "All given back"
    if not mine:
        return KeyFigure("back", title, None, "nothing taken")
    last = mine[-1]
    begun = f"first taken at {mine[0].since_launch_s:.3f} s"
    if last.open_end:
        return KeyFigure("back", title, None, "not yet", f"still on when the trace ends; {begun}")
    end = round(last.since_launch_s + last.duration_s, 6)
    return KeyFigure("back", title, end, f"{end:.3f} s", f"after the launch; {begun}")


def _interventions(mine: list[Intervention]) -> KeyFigure:
    later = [f"{i.since_launch_s:.3f} s" for i in mine[1:]]
    title = "Intervention" if len(mine) == 1 else "Interventions"
    more = f"again at {', '.join(later[:_NAMED])}" if later else ""
    more += " …" if len(later) > _NAMED else ""
    return KeyFigure("interventions", title, len(mine), str(len(mine)) if mine else "none", more)


def _greatest_retard(mine: list[Intervention]) -> KeyFigure:
    value = max((i.peak_retard_ddeg for i in mine), default=0) / 10
    return KeyFigure("retard", "Greatest retard", value, f"{value:.1f}°")


def _changes(found: Findings, launch: Launch | None) -> KeyFigure:
    one = launch or found
    more = plural(one.command_reversals, "change") + " of direction"
    return KeyFigure("changes", "Changes of the command", one.command_changes, str(one.command_changes), more)


def _events(found: Findings, launch: Launch | None) -> Iterator[KeyFigure]:
    """Skipped events are counted over all runs only."""
    events = found.events
    if events["count"] and (launch is None or len(found.launches) == 1):
        text = f"{events['skipped']} of {events['count']}"
        yield KeyFigure("events", "Cylinder events skipped", events["skipped"], text)


def _agreement(s: Replay) -> Iterator[KeyFigure]:
    """How far the commands are those that the car's own controller gave, where a log has them."""
    if s.logged is None:
        return
    logged = agreement(Overlay(s, s.logged, Tolerance()))
    if logged["agree_share"] is None:
        return
    within = logged["tolerance"]
    more = (
        f"within {within['reduction_percent']:g} % and {within['retard_deg']:g}°, over all runs;"
        f" {delay_text(logged)}"
    )
    share = 100 * logged["agree_share"]
    yield KeyFigure("car", "As the car's own", share, f"{share:.1f} %", more)
