"""The picture of one run: what a tuner reads at a glance.

From the top: lift with the ceilings, reduction, retard, what the latch does and who set the reduction,
progress down the track, and which cylinder events were skipped where torque was first taken. Lines differ in
width and dash as well as in colour, so that it reads in black and white too.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from bench.cautions import SHORT
from bench.document.blocks import Document
from bench.replay import codes
from bench.replay.figure_data import (
    MEAN_S,
    NAMED_FAULTS,
    end_of_sensor,
    fault_names,
    rotation_ceiling,
    state_name,
    torque_taken,
    window,
)
from bench.replay.findings import Findings, Launch, Replay
from bench.replay.spans import spans
from controller import constants as c

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = npt.NDArray[np.float64]

_COLUMNS = 1500
_WIDTH = 11.0  # inch
_HEIGHT = 0.75  # inch for each share of the panels' heights
_TOP, _BOTTOM = 0.75, 0.65  # inch
_LEFT = 0.075
_EVENTS_SHARE = 2.1
_CYCLES_BEFORE = 4
_CYCLES = 28

# Blue and orange differ for every kind of colour vision, and in brightness.
_BLACK, _GREY, _PALE, _BLUE, _ORANGE = "#000000", "#666666", "#d8d8d8", "#0b5fa5", "#d55e00"
_STATE_FILL = {
    c.PEAK: "#1a1a1a",
    c.HOLD: "#8a8a8a",
    c.RELEASE: "#cfcfcf",
    c.KEPT: "#d55e00",
    c.FAULT_RELEASE: "#f2b58a",
}
_REASON_FILL = {
    c.REASON_LIFT: "#8a8a8a",
    c.REASON_OUT_OF_SIGHT: "#1a1a1a",
    c.REASON_KEPT: "#d55e00",
    c.REASON_BLIND: "#f2b58a",
    c.REASON_ENGINE: "#0b5fa5",
    c.REASON_SHAFT: "#9cc3e6",
}
_OUTSIDE_FILL = "#e8e0c0"
# Of several states in one column of the picture the last of these is shown.
_STATE_RANK = [c.REST, c.RELEASE, c.HOLD, c.PEAK, c.FAULT_RELEASE, c.KEPT]
_LABEL: dict[str, Any] = {
    "ha": "center",
    "fontsize": 9,
    "weight": "bold",
    "bbox": {"facecolor": "white", "edgecolor": "none", "pad": 1, "alpha": 0.8},
}


@dataclass(frozen=True)
class _Window:
    """The ticks drawn, [start, stop), and the tick from which seconds count."""

    start: int
    stop: int
    zero: int
    tick_s: float

    def seconds(self, ticks: Any) -> Any:
        return (np.asarray(ticks, dtype=np.float64) - self.zero) * self.tick_s


def picture_name(number: int) -> str:
    """The file of the picture of a run; the first one (or a trace without a run) has the plain name."""
    return "run.png" if number <= 1 else f"run_{number}.png"


def write_picture(path: Path, title: str, s: Replay, found: Findings, launch: Launch | None) -> None:
    """Draw one run, or the whole trace where `launch` is None, as a PNG."""
    # A home folder that cannot be written is no matter of the person's.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(dpi=110)
    FigureCanvasAgg(figure)
    with warnings.catch_warnings():
        # a letter of a file's name that the font does not have
        warnings.filterwarnings("ignore", message="Glyph", category=UserWarning)
        _Drawing(figure, s, found, launch).draw(title)
        # No time of making and no program version: equal runs give equal files.
        figure.savefig(path, format="png", metadata={"Software": None})


class _Drawing:
    def __init__(self, figure: Figure, s: Replay, found: Findings, launch: Launch | None) -> None:
        self.figure = figure
        self.stepped = s
        self.calibration = s.calibration
        self.inputs = s.inputs
        self.run = s.run
        self.ticks = s.ticks
        self.found = found
        self.launch = launch
        self.window = self._choose_window()
        w = self.window
        self.at = _thinned(w.stop - w.start)
        self.x = w.seconds(w.start + self.at)

    def draw(self, title: str) -> None:
        askers = self._askers()
        curves = [name for name in ("engine", "shaft") if self.calibration.number(f"{name}_points")]
        rows: list[tuple[float, Callable[[Axes], None]]] = [
            (3.6, self._lift),
            (2.4, self._reduction),
            (1.1, self._retard),
            (0.13 + 0.34 * (len(askers) + 3), partial(self._bands, askers=askers)),
            *((0.9, partial(self._rotation, name=name)) for name in curves),
            (0.9, self._progress),
        ]
        shares = [share for share, _ in rows] + ([_EVENTS_SHARE] if self.inputs.has_engine else [])
        height = _HEIGHT * sum(shares) + _TOP + _BOTTOM
        self.figure.set_size_inches(_WIDTH, height)
        grid = self.figure.add_gridspec(
            len(shares), 1, height_ratios=shares, left=_LEFT, right=0.865,
            top=1 - _TOP / height, bottom=_BOTTOM / height, hspace=0.16,
        )  # fmt: skip
        panels: list[Axes] = []
        w = self.window
        for i, (_, draw) in enumerate(rows):
            panel = self.figure.add_subplot(grid[i], sharex=panels[0] if panels else None)
            panels.append(panel)
            _plain(panel)
            panel.set_xlim(float(w.seconds(w.start)), float(w.seconds(w.stop)))
            panel.axvline(0.0, color=_GREY, linewidth=0.8, zorder=1)
            panel.tick_params(labelbottom=i == len(rows) - 1)
            draw(panel)
        _x_label(panels[-1], "s since launch" if self.launch else "s")
        if self.inputs.has_engine:
            place = grid[len(rows)].get_position(self.figure)
            # lower, to leave room for the axis above and its own title
            self._events(self.figure.add_axes((place.x0, place.y0, place.width, place.height - 0.5 / height)))
        self.figure.text(_LEFT, 1 - 0.33 / height, title, fontsize=12, weight="bold", parse_math=False)
        self.figure.text(_LEFT, 1 - 0.56 / height, self._subtitle(), fontsize=9, color=_GREY)
        self.figure.text(_LEFT, 0.12 / height, SHORT, fontsize=8, color=_GREY)

    def _choose_window(self) -> _Window:
        """From shortly before the launch until nothing more happens."""
        tick_s = self.inputs.tick_us / 1e6
        if self.launch is None:
            return _Window(0, self.run.n, self.inputs.lead, tick_s)
        start, stop = window(self.stepped, self.found, self.launch)
        return _Window(start, stop, self.launch.tick, tick_s)

    def _subtitle(self) -> str:
        parts = [] if self.launch else ["NO LAUNCH FOUND"]
        if self.launch:
            parts.append(f"lift {self.launch.greatest_lift_mm:.0f} mm at most")
            parts.append(
                f"{100 * self.launch.share_taken:.1f} % of torque-time taken in {self.launch.run_s:.2f} s"
            )
            if self.launch.end_tick > self.window.stop:
                parts.append(
                    f"drawn to {float(self.window.seconds(self.window.stop)):.1f} s, nothing is taken after"
                )
            if self.launch.fault_at_launch:
                parts.append("FAULT AT LAUNCH")
        return " · ".join(parts)

    # --- data of the window

    def part(self, name: str) -> Any:
        return self.ticks[name][self.window.start : self.window.stop]

    def line(self, values: Any) -> Any:
        """The values at the thinned ticks: each pair of them keeps the least and the greatest of its
        stretch."""
        return _extremes(np.asarray(values), self.at)

    def where(self, mask: Any) -> list[tuple[float, float]]:
        """(start, width) in seconds of the stretches where a mask over the window holds."""
        w = self.window
        return [(float(w.seconds(w.start + a)), (b - a) * w.tick_s) for a, b in spans(_coarse(mask))]

    def shade(self, panel: Axes, mask: Any, **look: Any) -> None:
        for start, width in self.where(mask):
            panel.axvspan(start, start + width, linewidth=0, zorder=0, **look)

    def _name_shade(self, panel: Axes, mask: Any, text: str, color: str) -> None:
        bottom, top = panel.get_ylim()
        whole = (self.window.stop - self.window.start) * self.window.tick_s
        for start, width in self.where(mask):
            if width > 0.01 * len(text) * whole:
                level = bottom + 0.04 * (top - bottom)
                panel.text(start + width / 2, level, text, ha="center", fontsize=8, color=color)

    # --- the panels

    def _lift(self, panel: Axes) -> None:
        lift = self.part("lift") / 16
        labels: list[tuple[float, str, str]] = []
        ceilings = self._ceilings(panel, labels)
        end = self._end_of_sensor()
        top = max(
            [
                1.14 * float(max(lift.max(), self.part("entry").max() / 16)),
                60.0,
                *(1.08 * level for level in ceilings),
            ]
        )
        if lift.max() > 0.8 * end:
            top = max(top, 1.15 * end)
        bottom = min(-0.05 * top, float(lift.min()) * 1.1)
        panel.set_ylim(bottom, top)
        if end < top:
            panel.axhspan(end, top, facecolor="none", edgecolor=_PALE, hatch="///", linewidth=0, zorder=0)
            panel.axhline(end, color=_GREY, linewidth=0.8)
            labels.append((end, "sensor's end", _GREY))
        faults = self.part("faults")
        out = (faults & c.FAULT_OUT_OF_SIGHT) != 0
        self.shade(panel, out, facecolor="#f5c9a6")
        self.shade(panel, (faults & c.FAULT_SENSOR) != 0, facecolor="#e4e4e4")
        if (self.part("entry") != self.part("lift")).any():
            panel.plot(self.x, self.line(self.part("entry") / 16), color=_BLUE, linewidth=0.8, alpha=0.7)
            labels.append((float(self.part("entry")[-1] / 16), "with look-ahead", _BLUE))
        panel.plot(self.x, self.line(lift), color=_BLACK, linewidth=1.8)
        labels.append((float(lift[-1]), "lift", _BLACK))
        self._mark_peaks(panel, top)
        self._name_shade(panel, out, "out of sight", _ORANGE)
        self._name_shade(panel, (faults & c.FAULT_SENSOR) != 0, "height not believed", _GREY)
        _label_right(panel, labels)
        panel.set_ylabel("lift, mm")

    def _ceilings(self, panel: Axes, labels: list[tuple[float, str, str]]) -> list[float]:
        """The three ceilings at each tick's progress; gives their levels at the right edge."""
        scale = 10 if self.calibration.progress_unit == "km/h" else 1
        at_progress = iter(self.calibration.ceilings.at(self.part("progress")[self.at] / scale))
        levels = []
        for text, dash in (
            ("retard from", (0, (1, 2))),
            ("reduction from", (0, (5, 3))),
            ("full reduction", "solid"),
        ):
            level = next(at_progress)
            if not np.isfinite(level).any():
                continue
            panel.plot(self.x, level, color=_ORANGE, linewidth=1.1, linestyle=dash)
            labels.append((float(level[-1]), text, _ORANGE))
            levels.append(float(np.nanmax(level)))
        return levels

    def _end_of_sensor(self) -> float:
        """The lift at the sensor's greatest height, with the rest height in use at the launch, mm."""
        rest = int(self.ticks["rest"][self.window.zero if self.launch else self.window.start])
        return float(end_of_sensor(self.stepped, rest))

    def _mark_peaks(self, panel: Axes, top: float) -> None:
        """The highest few lifts with their height, above whatever line is there."""
        number = self.launch.number if self.launch else None
        inside = [lift for lift in self.found.lifts if lift.launch == number and lift.tick < self.window.stop]
        drawn = np.maximum(self.part("lift"), self.part("entry")) / 16
        near = max(1, len(drawn) // 40)
        for lift in sorted(inside, key=lambda event: -event.peak_lift_mm)[:4]:
            peak = (
                int(self.window.zero + round(lift.peak_since_launch_s / self.window.tick_s))
                - self.window.start
            )
            level = float(drawn[max(peak - near, 0) : peak + near + 1].max())
            self._name_peak(
                panel, peak, level, f"{'over ' if lift.beyond else ''}{lift.peak_lift_mm:.0f} mm", top
            )

    def _name_peak(self, panel: Axes, place: int, level: float, text: str, top: float) -> None:
        """A number over a peak, `place` ticks into the window, kept inside the panel."""
        n = self.window.stop - self.window.start
        margin = 0.006 * len(text) * n
        at = self.window.seconds(self.window.start + min(max(place, margin), n - margin))
        panel.text(float(at), level + 0.02 * top, text, va="bottom", **_LABEL)

    def _reduction(self, panel: Axes) -> None:
        demand, reduction = self.part("demand") / 10, self.part("reduction") / 10
        taken = torque_taken(self.stepped, self.window.start, self.window.stop)
        panel.fill_between(self.x, 0, self.line(demand), color="#c4c4c4", linewidth=0)
        panel.plot(self.x, self.line(taken), color=_BLUE, linewidth=0.9)
        panel.plot(self.x, self.line(reduction), color=_BLACK, linewidth=1.8)
        top = max(10.0, 1.25 * float(max(reduction.max(), demand.max(), taken.max())))
        panel.set_ylim(0, top)
        panel.set_ylabel("reduction, %")
        step = top / 8
        for i, (text, color) in enumerate((
            ("reduction", _BLACK), ("live demand (grey)", _GREY),
            ("torque taken: an", _BLUE), ("estimate, mean", _BLUE), (f"of {1000 * MEAN_S:.0f} ms", _BLUE),
        )):  # fmt: skip
            panel.annotate(
                text, (1.0, top - (i + 1) * step), xycoords=("axes fraction", "data"), xytext=(6, 0),
                textcoords="offset points", fontsize=8, color=color, va="center",
            )  # fmt: skip
        if reduction.max() > 0:
            at = int(np.argmax(reduction))
            level = max(float(reduction[at]), float(taken[at : at + len(taken) // 40 + 1].max()))
            self._name_peak(panel, at, level, f"{reduction[at]:.0f} %", top)

    def _retard(self, panel: Axes) -> None:
        retard = self.part("retard") / 10
        panel.plot(self.x, self.line(retard), color=_BLACK, linewidth=1.4)
        panel.set_ylim(0, max(5.0, 1.25 * float(retard.max())))
        panel.set_ylabel("retard, °")

    def _askers(self) -> list[int]:
        """Who asked for a reduction or a retard, where it was more than one."""
        asked = int(np.bitwise_or.reduce(self.part("askers")))
        askers = [bit for bit in codes.ASKERS if asked & bit]
        return askers if len(askers) > 1 else []

    def _bands(self, panel: Axes, askers: list[int]) -> None:
        """What the latch does, who set the reduction, who asked, and faults, as bars one below the other."""
        labels = [
            "faults",
            *(f"{codes.ASKERS[bit].split()[0]} asks" for bit in reversed(askers)),
            "reason",
            "latch",
        ]
        rank = np.array([_STATE_RANK.index(code) for code in range(len(_STATE_RANK))])
        state = np.array(_STATE_RANK)[_coarse(rank[self.part("state")])]
        reason = _coarse(np.where(self.part("reduction") > 0, self.part("reason"), 0))
        top = len(labels) - 1
        faults = _coarse(self.part("faults") & NAMED_FAULTS)
        for level, numbers, fills, called in (
            (top, state, _STATE_FILL, state_name),
            (top - 1, reason, _REASON_FILL, codes.reason_name),
            (0, faults, dict.fromkeys(np.unique(faults).tolist(), _ORANGE), fault_names),
        ):
            self._named_bars(panel, level, numbers, fills, called)
        for level, bit in enumerate(reversed(askers), 1):
            where = self.where((self.part("askers") & bit) != 0)
            panel.broken_barh(where, (level - 0.19, 0.38), facecolor=_GREY, linewidth=0)
        lost = self.where((self.part("faults") & c.FAULT_UNUSED) != 0)
        panel.broken_barh(lost, (-0.44, 0.12), facecolor=_BLACK, linewidth=0)
        panel.set_ylim(-0.6, top + 0.6)
        panel.set_yticks(range(len(labels)), labels, fontsize=7.5)
        panel.tick_params(axis="y", length=0)
        panel.grid(False, axis="y")

    def _named_bars(
        self, panel: Axes, level: int, codes: Any, fills: dict[int, str], called: Callable[[int], str]
    ) -> None:
        """A row of bars; what had no room for its name in any bar is named at the right."""
        unnamed = []
        for code in (int(number) for number in np.unique(codes[codes > 0])):
            fill = fills.get(code, _OUTSIDE_FILL)
            named = [self._bar(panel, level, *bar, fill, called(code)) for bar in spans(codes == code)]
            if not any(named):
                unnamed.append((fill, called(code)))
        for i, (fill, name) in enumerate(unnamed):
            above = 8 * ((len(unnamed) - 1) / 2 - i)
            for text, color, right in (("\N{BLACK SQUARE}", fill, 6), (name, _GREY, 14)):
                panel.annotate(
                    text, (1.0, level), xycoords=("axes fraction", "data"), xytext=(right, above),
                    textcoords="offset points", fontsize=7, color=color, va="center",
                )  # fmt: skip

    def _bar(self, panel: Axes, level: int, start: int, stop: int, fill: str, name: str) -> bool:
        """One bar; whether it was wide enough for its name."""
        w = self.window
        a, b = float(w.seconds(w.start + start)), float(w.seconds(w.start + stop))
        panel.broken_barh(
            [(a, b - a)], (level - 0.38, 0.76), facecolor=fill, edgecolor="white", linewidth=0.4
        )
        # a name needs about 0.8 % of the width for each letter
        fits = (stop - start) > 0.0085 * (len(name) + 1) * (w.stop - w.start)
        if fits:
            dark = fill in (_STATE_FILL[c.PEAK], _REASON_FILL[c.REASON_ENGINE])
            color = "white" if dark else "black"
            panel.text((a + b) / 2, level, name, ha="center", va="center", fontsize=8, color=color)
        return fits

    def _progress(self, panel: Axes) -> None:
        by_speed = self.calibration.progress_unit == "km/h"
        progress = self.part("progress") / (10 if by_speed else 1)
        panel.plot(self.x, self.line(progress), color=_BLACK, linewidth=1.2)
        labels = [(float(progress[-1]), "progress", _BLACK)]
        speed = self.inputs.arrays["speed"][self.window.start : self.window.stop] / 10
        valid = self.inputs.arrays["speed_valid"][self.window.start : self.window.stop] > 0
        if by_speed and valid.any() and np.abs(speed - progress)[valid].max() > 5:
            shown = np.where(valid, speed, np.nan)
            panel.plot(self.x, shown[self.at], color=_BLUE, linewidth=0.9, linestyle=(0, (3, 2)))
            last = speed[np.flatnonzero(valid)[-1]]
            labels.append((float(last), "speed signal", _BLUE))
        top = max(float(progress.max()), float(speed.max()) if by_speed else 0.0)
        panel.set_ylim(0, max(top * 1.15, 1.0))
        panel.set_ylabel(self.calibration.progress_unit)
        _label_right(panel, labels)

    def _rotation(self, panel: Axes, name: str) -> None:
        """Engine or shaft speed, and the curve over which it asks for a reduction."""
        rpm = self.calibration.row(f"{name}_rpm")
        curve = rotation_ceiling(self.stepped, name, slice(self.window.start, self.window.stop))
        speed = self.inputs.arrays[name][self.window.start : self.window.stop]
        panel.plot(self.x, self.line(speed), color=_BLACK, linewidth=1.2)
        panel.plot(self.x, curve[self.at], color=_ORANGE, linewidth=1.1, linestyle=(0, (5, 3)))
        panel.set_ylim(0, 1.15 * max(float(speed.max()), *rpm, 1.0))
        panel.set_ylabel("rpm")
        _label_right(
            panel, [(float(speed[-1]), f"{name} speed", _BLACK), (float(rpm[-1]), "its curve", _ORANGE)]
        )

    def _events(self, panel: Axes) -> None:
        """Which events fired and which were skipped around the first of them that was skipped."""
        order = self.calibration.row("firing_order")
        tick, bits = self.run.event_tick, self.run.event_bits
        skipped = np.flatnonzero((bits != 0) & (tick >= self.window.start) & (tick < self.window.stop))
        n = len(order)
        if len(skipped) == 0:
            why = (
                "no cylinder event was skipped"
                if self.inputs.has_engine
                else "no engine speed: no cylinder events"
            )
            panel.text(
                0.5, 0.5, why, ha="center", va="center", fontsize=9, color=_GREY, transform=panel.transAxes
            )
            panel.set_axis_off()
            return
        # Whole cycles, from a few before the first skipped event.
        first = max(0, int(skipped[0]) // n - _CYCLES_BEFORE) * n
        part = np.arange(first, min(first + _CYCLES * n, len(tick)))
        seconds = self.window.seconds(tick[part])
        row = n - 1 - part % n
        fired = bits[part] == 0
        panel.scatter(seconds[fired], row[fired], marker="s", s=22, color=_BLACK, linewidth=0)
        panel.scatter(
            seconds[~fired], row[~fired], marker="s", s=22, facecolor="white", edgecolor=_ORANGE, linewidth=1
        )
        _plain(panel)
        panel.grid(False)
        panel.set_ylim(-0.8, n - 0.2)
        panel.set_yticks(range(n), [str(cylinder) for cylinder in reversed(order)], fontsize=7)
        panel.tick_params(axis="y", length=0)
        panel.set_ylabel("cylinder,\nfiring order", fontsize=8)
        width = float(seconds[-1] - seconds[0])
        panel.set_xlim(float(seconds[0]) - 0.015 * width, float(seconds[-1]) + 0.015 * width)
        panel.set_title(
            "Cylinder events where torque was first taken: black fired, white skipped",
            fontsize=8.5,
            loc="left",
            pad=3,
        )
        _x_label(panel, "s since launch" if self.launch else "s")
        for i, cylinder in enumerate(self.found.events["cylinders"]):
            if cylinder["share"] is not None:
                panel.annotate(
                    f"{100 * cylinder['share']:.1f} %", (1.0, n - 1 - i), xycoords=("axes fraction", "data"),
                    xytext=(6, 0), textcoords="offset points", fontsize=7, va="center", color=_GREY,
                )  # fmt: skip
        panel.annotate(
            "skipped\nin all runs", (1.0, 0.5), xycoords="axes fraction", xytext=(40, 0),
            textcoords="offset points", fontsize=8, va="center", color=_GREY,
        )  # fmt: skip


def _x_label(panel: Axes, text: str) -> None:
    panel.annotate(
        text, (1.0, 0.0), xycoords="axes fraction", xytext=(14, -11), textcoords="offset points", fontsize=8,
        va="center", color=_GREY,
    )  # fmt: skip


def _plain(panel: Axes) -> None:
    for side in ("top", "right"):
        panel.spines[side].set_visible(False)
    panel.grid(True, color="#ececec", linewidth=0.7)
    panel.set_axisbelow(True)
    panel.tick_params(labelsize=8)
    panel.yaxis.label.set_fontsize(9)


def _label_right(panel: Axes, labels: list[tuple[float, str, str]]) -> None:
    """Name each line at its right end; names that would overlap are moved apart."""
    bottom, top = panel.get_ylim()
    height = panel.get_position().height * panel.figure.get_figheight() * 72  # type: ignore[union-attr]
    apart = 10.5 * (top - bottom) / height
    placed = sorted((min(max(level, bottom), top), text, color) for level, text, color in labels)
    levels: list[float] = []
    for level, _, _ in placed:
        levels.append(max(level, levels[-1] + apart) if levels else level)
    over = levels[-1] - top if levels else 0.0
    if over > 0:
        # Push down from the top instead.
        ceiling = top
        for i in range(len(levels) - 1, -1, -1):
            levels[i] = min(levels[i], ceiling)
            ceiling = levels[i] - apart
    for level, (_, text, color) in zip(levels, placed, strict=True):
        panel.annotate(
            text, (1.0, level), xycoords=("axes fraction", "data"), xytext=(6, 0), textcoords="offset points",
            fontsize=8, color=color, va="center",
        )  # fmt: skip


def _thinned(n: int) -> npt.NDArray[np.intp]:
    """Indexes of the ticks to draw: all of a short window, two for each column of a long one."""
    if n <= 4 * _COLUMNS:
        return np.arange(n)
    edges = np.linspace(0, n, 2 * _COLUMNS + 1).astype(np.intp)
    return edges[:-1]


def _extremes(values: Any, at: npt.NDArray[np.intp]) -> Any:
    """The values at `at`; where ticks are left out, the least and the greatest of each pair of stretches by
    turns."""
    if len(at) == len(values):
        return values
    drawn = np.array(values[at], dtype=np.float64)
    drawn[0::2] = np.minimum.reduceat(values, at[0::2])
    drawn[1::2] = np.maximum.reduceat(values, at[0::2])
    return drawn


def _coarse(codes: Any) -> Any:
    """Codes in which no stretch is narrower than a column of the picture; of those in one column the greatest
    stays."""
    if len(codes) <= 2 * _COLUMNS:
        return codes
    edges = np.linspace(0, len(codes), _COLUMNS + 1).astype(np.intp)
    return np.repeat(np.maximum.reduceat(codes, edges[:-1]), np.diff(edges))


def write_pictures(folder: Path, document: Document, s: Replay, found: Findings) -> None:
    """The pictures of a document, until they are made of its figures."""
    launches: list[Launch | None] = [*found.launches] or [None]
    for picture, launch in zip(document.pictures, launches, strict=False):
        write_picture(folder / picture.file, picture.title, s, found, launch)
