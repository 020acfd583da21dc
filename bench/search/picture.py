"""The picture of a search: the trade-off, the cars of the check, and the ceilings before and after."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.cautions import SHORT
from bench.search.limits import KINDS, Kind
from bench.search.study import Checked, Found, curve
from bench.vehicle.results import cut_starts

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# As in the other pictures: told apart by shape as well as by colour.
_BLACK, _GREY, _PALE, _BLUE, _ORANGE = "#000000", "#777777", "#bdbdbd", "#0b5fa5", "#d55e00"


def draw(path: Path, found: Found) -> None:
    """Write the picture."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11, 9))
    FigureCanvasAgg(figure)
    panels = figure.subplots(2, 2).flat
    figure.subplots_adjust(left=0.075, right=0.98, top=0.855, bottom=0.1, hspace=0.3, wspace=0.22)
    _trade_off(panels[0], found, KINDS[0])
    _trade_off(panels[1], found, KINDS[1])
    handles, texts = panels[0].get_legend_handles_labels()
    figure.legend(
        handles, texts, fontsize=8, ncols=6, frameon=False, loc="upper left", bbox_to_anchor=(0.07, 0.925),
        borderaxespad=0, handletextpad=0.4, columnspacing=1.5,
    )  # fmt: skip
    _cars(panels[2], found)
    _ceilings(panels[3], found)
    for panel in panels:
        panel.grid(True, color="#ececec", linewidth=0.7)
        panel.set_axisbelow(True)
        panel.spines[["top", "right"]].set_visible(False)
        panel.tick_params(labelsize=8)
        panel.xaxis.label.set_fontsize(9)
        panel.yaxis.label.set_fontsize(9)
    name = found.vehicle.name or found.vehicle.path.name
    title = f"Settings for {name}, sought from {found.settings.start.path.name}: a model's guess"
    figure.suptitle(title, x=0.075, y=0.975, ha="left", fontsize=12, weight="bold")
    figure.text(0.075, 0.943, _subtitle(found), fontsize=9, color="#444444", va="top")
    figure.text(0.075, 0.02, SHORT, fontsize=8, color="#444444")
    # No time of making and no program version: equal searches give equal files.
    figure.savefig(path, dpi=110, metadata={"Software": None})


def _subtitle(found: Found) -> str:
    one, without, start = found.nearest.judged, found.without.judged, found.start.judged
    does = "keeps the limits" if found.chosen else "does NOT keep the limits; it keeps them"
    feet = found.options.feet
    return (
        f"The {'chosen' if found.chosen else 'nearest'} setting {does} in {100 * one.within:.4g} % of"
        f" {found.options.check} cars: {one.time_s:.3f} s to {feet} ft"
        f" ({without.time_s:.3f} without control, {start.time_s:.3f} with the start)"
    )


def _trade_off(panel: Axes, found: Found, kind: Kind) -> None:
    """Time over a figure, for all that was tried, in the cars of the search."""

    def at(judged: Any) -> tuple[float, float]:
        value = {"lift": judged.lift_m, "landing": judged.landing_mps}[kind.name]
        return value / kind.size, judged.time_s

    tried = found.course.tried
    for inside, color, fill, text in (
        (False, _PALE, "none", "tried, limits not kept"),
        (True, _GREY, _GREY, "tried, limits kept"),
    ):
        points = [at(t.judged) for t in tried if (t.judged.over <= 0) is inside]
        if points:
            x, y = zip(*points, strict=True)
            panel.scatter(x, y, s=12, edgecolors=color, facecolors=fill, linewidths=0.8, label=text)
    best = _lower_edge([at(t.judged) for t in curve([t for t in tried if t.judged.over <= 0])])
    if len(best) > 1:
        x, y = zip(*best, strict=True)
        panel.step(x, y, color=_BLACK, linewidth=1.0, where="post", label="the least time at each")
    marks = _marks(found)
    for one, marker, color, text in marks:
        panel.scatter(*at(one.judged), marker=marker, s=70, color=color, zorder=5, label=text)
    for limit in found.options.limits:
        if limit.kind is kind:
            panel.axvline(limit.most / kind.size, color=_ORANGE, linewidth=1.0, linestyle=(0, (4, 2)))
    shown = [at(one.judged) for one, *_ in marks] + [at(t.judged) for t in curve(tried)]
    right = max([x for x, _ in shown] + [m.most / kind.size for m in found.options.limits if m.kind is kind])
    low, high = min(y for _, y in shown), max(y for _, y in shown)
    panel.set_xlim(0, 1.08 * right)
    panel.set_ylim(low - 0.08 * (high - low) - 1e-3, high + 0.25 * (high - low) + 1e-3)
    panel.set_xlabel(
        f"{kind.words}, {kind.unit}, that {100 * found.options.share:g} % of the cars stay below"
    )
    panel.set_ylabel(f"mean time to {found.options.feet} ft, s")
    panel.set_title(f"Time and {kind.words}", loc="left", fontsize=9.5)


def _marks(found: Found) -> list[tuple[Checked, str, str, str]]:
    text = "chosen" if found.chosen else "nearest, limits not kept"
    return [
        (found.without, "X", _BLUE, "without control"),
        (found.start, "s", _ORANGE, "start"),
        (found.nearest, "*", _BLACK, text),
    ]


def _lower_edge(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Of points (figure, time) those than which none is better in both, along the figure."""
    edge: list[tuple[float, float]] = []
    for x, y in sorted(points):
        if not edge or y < edge[-1][1]:
            edge.append((x, y))
    return edge


def _cars(panel: Axes, found: Found) -> None:
    """Each car of the check: lift and landing."""
    lift, landing, _ = KINDS
    sizes = {"X": 14, "s": 10, "*": 18}
    for one, marker, color, text in _marks(found):
        x, y = one.driven.of(lift) / lift.size, one.driven.of(landing) / landing.size
        panel.scatter(x, y, marker=marker, s=sizes[marker], color=color, alpha=0.55, linewidths=0, label=text)
    for limit in found.options.limits:
        value, style = limit.most / limit.kind.size, (0, (4, 2))
        if limit.kind is lift:
            panel.axvline(value, color=_ORANGE, linewidth=1.0, linestyle=style)
        elif limit.kind is landing:
            panel.axhline(value, color=_ORANGE, linewidth=1.0, linestyle=style)
    panel.set_xlim(left=0)
    panel.set_ylim(bottom=0)
    panel.set_xlabel("peak lift, mm")
    panel.set_ylabel("landing speed, m/s")
    title = f"Each of {found.options.check} cars that it was not sought with"
    panel.set_title(title, loc="left", fontsize=9.5)


def _ceilings(panel: Axes, found: Found) -> None:
    """Where the cut starts and is full, over progress."""
    for calibration, color, text in (
        (found.settings.start, _ORANGE, "start"),
        (found.nearest.calibration, _BLACK, "chosen" if found.chosen else "nearest"),
    ):
        progress, _, full = cut_starts(calibration)
        first = calibration.ceilings.reduction_from
        panel.plot(progress, first, color=color, linewidth=1.4, linestyle=(0, (5, 3)), label=f"{text}: first")
        panel.plot(progress, full, color=color, linewidth=1.8, label=f"{text}: full cut")
    top = float(np.nanmax([found.settings.start.ceilings.full.max(), found.settings.start.far_lift_mm]))
    panel.set_ylim(0, 1.35 * top)
    panel.set_xlabel(f"progress, {found.settings.start.progress_unit}")
    panel.set_ylabel("lift at the front axle, mm")
    panel.set_title("The ceilings", loc="left", fontsize=9.5)
    panel.legend(fontsize=7.5, loc="upper right", ncols=2, framealpha=0.9, edgecolor="none")
