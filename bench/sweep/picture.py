"""The picture of a sweep: each figure over the varied setting.

One varied key: a panel for each figure, all traces together on the left and each trace on the right. Several
keys: a column of panels for each combination of the other ones, with all the others pale behind it.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from bench.cautions import SHORT
from bench.sweep.report import COLUMNS, Column, evenly
from bench.sweep.vary import is_number, written
from bench.trace.text import plural, shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_BLACK, _GREY, _PALE = "#000000", "#666666", "#c9c9c9"
# Told apart by every kind of colour vision; after the last one the dashes change.
_COLOURS = ("#0b5fa5", "#d55e00", "#009e73", "#a0559a", "#8a6d00")
_DASHES: tuple[Any, ...] = ("solid", (0, (4, 2)))
_NAMED_TRACES = len(_COLOURS) * len(_DASHES)
_MOST_COLUMNS = 6
_MARKED_POINTS = 40
_STEPS = [1, 2, 2.5, 5, 10]
_TALL = 1.25  # inch
_TOP, _BOTTOM, _BETWEEN = 0.9, 0.65, 0.22
_LEFT, _RIGHT = 0.85, 0.25


@dataclass
class _Curve:
    """One line of figures over the varied values."""

    rows: list[dict[str, Any]]
    label: str = ""
    look: dict[str, Any] = field(default_factory=dict)


@dataclass
class _Panels:
    """One column of panels: its title and its curves, the last one on top."""

    title: str
    curves: list[_Curve]


def write_picture(path: Path, facts: dict[str, Any]) -> None:
    """Draw the facts of bench.sweep.report.summary as a PNG."""
    # No time of making and no program version: equal sweeps give equal files.
    draw_picture(facts).savefig(path, format="png", metadata={"Software": None})


def draw_picture(facts: dict[str, Any]) -> Figure:
    """The picture of the facts of bench.sweep.report.summary, ready to be saved."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(dpi=110)
    FigureCanvasAgg(figure)
    _Drawing(figure, facts).draw()
    return figure


class _Drawing:
    def __init__(self, figure: Figure, facts: dict[str, Any]) -> None:
        self.figure = figure
        self.facts = facts
        numeric = [one for one in facts["vary"] if all(is_number(value) for value in one["values"])]
        self.along = max(numeric or facts["vary"][:1], key=lambda one: len(one["values"]))
        values = self.along["values"]
        # Numbers stand where they belong, words in the order given.
        self.order = sorted(range(len(values)), key=values.__getitem__) if numeric else range(len(values))
        self.values = [values[i] for i in self.order]
        self.x = self.values if numeric else list(range(len(values)))
        self.others = [one for one in facts["vary"] if one is not self.along]
        self.left_out = 0
        self.columns = self._combinations() if self.others else self._together_and_apart()

    # --- what is drawn

    def _settings(self, fixed: dict[str, Any]) -> list[dict[str, Any]]:
        """The settings with some keys fixed, in the order drawn."""
        found = {
            written(setting["values"][self.along["key"]]): setting
            for setting in self.facts["settings"]
            if all(setting["values"][key] == value for key, value in fixed.items())
        }
        return [found[written(value)] for value in self.values]

    def _together_and_apart(self) -> list[_Panels]:
        settings = self._settings({})
        traces = self.facts["traces"]
        main = {"color": _BLACK, "linewidth": 1.8}
        together = _Curve([setting["over_all"] for setting in settings], look=main)
        if len(traces) == 1:
            return [_Panels(shown(Path(traces[0]["file"]).name, 60), [together])]
        apart = []
        for number, trace in enumerate(traces):
            look: dict[str, Any] = {"color": _GREY, "linewidth": 0.8}
            label = ""
            if len(traces) <= _NAMED_TRACES:
                dash = _DASHES[number // len(_COLOURS)]
                # thinner and thinner, so that of equal lines all are seen
                thick = 1.2 + 2.4 * (len(traces) - 1 - number) / (len(traces) - 1)
                look = {"color": _COLOURS[number % len(_COLOURS)], "linewidth": thick, "linestyle": dash}
                label = shown(Path(trace["file"]).name, 34)
            apart.append(_Curve([setting["traces"][number] for setting in settings], label, look))
        return [
            _Panels(f"all {len(traces)} traces: greatest peak, the rest added up", [together]),
            _Panels(f"each of the {len(traces)} traces", apart),
        ]

    def _combinations(self) -> list[_Panels]:
        keys = [one["key"] for one in self.others]
        combinations = list(itertools.product(*(one["values"] for one in self.others)))
        chosen = evenly(len(combinations), _MOST_COLUMNS)
        self.left_out = len(combinations) - len(chosen)
        curves = []
        for combination in combinations:
            settings = self._settings(dict(zip(keys, combination, strict=True)))
            curves.append([setting["over_all"] for setting in settings])
        panels = []
        for number in chosen:
            others = [
                _Curve(rows, look={"color": _PALE, "linewidth": 0.9})
                for i, rows in enumerate(curves)
                if i != number
            ]
            own = _Curve(curves[number], look={"color": _BLACK, "linewidth": 1.8})
            title = "\n".join(
                f"{one['key'].split('.')[-1]} = {shown(written(value), 16)}"
                + (" (file)" if value == one["in_file"] else "")
                for one, value in zip(self.others, combinations[number], strict=True)
            )
            panels.append(_Panels(title, [*others, own]))
        return panels

    # --- how

    def draw(self) -> None:
        columns = len(self.columns)
        legend = any(curve.label for curve in self.columns[-1].curves)
        wide = 7.5 if columns == 1 else 4.6 if not self.others else 2.1
        right = _RIGHT + (2.3 if legend else 0)
        gap = 0.25 if self.others else 0.6
        width = _LEFT + columns * wide + (columns - 1) * gap + right
        # What no setting changes is said in a line, instead of drawn.
        constant = {column.key: self._constant(column) for column in COLUMNS}
        shown_columns = [column for column in COLUMNS if constant[column.key] is None] or [COLUMNS[0]]
        same = [
            f"{column.words} {constant[column.key]} {column.unit}".rstrip()
            for column in COLUMNS
            if column not in shown_columns
        ]
        top = _TOP + 0.17 * (max(panels.title.count("\n") for panels in self.columns)) + 0.2 * bool(same)
        below = self._below(width)
        bottom = _BOTTOM + 0.14 * len(below)
        height = top + (_TALL + _BETWEEN) * len(shown_columns) - _BETWEEN + bottom
        self.figure.set_size_inches(width, height)
        for i, panels in enumerate(self.columns):
            x0 = (_LEFT + i * (wide + gap)) / width
            y = height - top
            self.figure.text(x0, (y + 0.26) / height, panels.title, fontsize=8.5, color=_GREY)
            for n, column in enumerate(shown_columns):
                panel = self.figure.add_axes((x0, (y - _TALL) / height, wide / width, _TALL / height))
                y -= _TALL + _BETWEEN
                self._panel(panel, column, panels, first=i == 0)
                self._x_axis(panel, n == len(shown_columns) - 1)
                if n == 0 and i == 0:
                    self._name_file_value(panel)
                if n == 0 and legend and i == columns - 1:
                    panel.legend(
                        fontsize=8, frameon=False, loc="upper left", bbox_to_anchor=(1.0, 1.05),
                        handlelength=2.6,
                    )  # fmt: skip
        self._texts(height, same, below, 0.15 / width)

    def _constant(self, column: Column) -> str | None:
        """What a figure is where it is the same in every panel, as printed."""
        seen = {column.text(row) for panels in self.columns for curve in panels.curves for row in curve.rows}
        return next(iter(seen)) if len(seen) == 1 else None

    def _greatest(self, column: Column, panels: _Panels) -> float:
        """The greatest value of a row of panels; of one panel where traces stand beside their sum."""
        together = self.columns if self.others else [panels]
        rows = [row for one in together for curve in one.curves for row in curve.rows]
        return max(float(row[column.key] or 0) * column.scale for row in rows)

    def _panel(self, panel: Axes, column: Column, panels: _Panels, *, first: bool) -> None:
        from matplotlib.ticker import MaxNLocator

        for side in ("top", "right"):
            panel.spines[side].set_visible(False)
        panel.set_axisbelow(True)
        panel.tick_params(labelsize=8)
        if first:
            words = column.words + (f",\N{NO-BREAK SPACE}{column.unit}" if column.unit else "")
            panel.set_ylabel("\n".join(wrap(words, 14)), fontsize=8.5)
        panel.grid(True, color="#ececec", linewidth=0.7)
        marker = "o" if len(self.x) <= _MARKED_POINTS else ""
        for curve in panels.curves:
            values = [float(row[column.key] or 0) * column.scale for row in curve.rows]
            line = "none" if self.x is not self.values else curve.look.get("linestyle", "solid")
            size = 5 if line == "none" else 2.6 if curve.look["linewidth"] > 1 else 0
            panel.plot(
                self.x, values, marker=marker or None, markersize=size, label=curve.label or None,
                **{**curve.look, "linestyle": line},
            )  # fmt: skip
        panel.set_ylim(0, 1.1 * self._greatest(column, panels) or 1.0)
        panel.yaxis.set_major_locator(MaxNLocator(4, integer=column.form == "d", steps=_STEPS))
        if self.others and not first:
            panel.tick_params(labelleft=False)

    def _x_axis(self, panel: Axes, last: bool) -> None:
        from matplotlib.ticker import MaxNLocator

        if self.x is self.values:
            low, high = min(self.x), max(self.x)
            margin = 0.03 * (high - low) or 1
            panel.set_xlim(low - margin, high + margin)
            panel.xaxis.set_major_locator(MaxNLocator(4 if self.others else 7, steps=_STEPS))
            there = self.along["in_file"]
            if there is not None and is_number(there) and low <= there <= high:
                panel.axvline(there, color=_GREY, linewidth=0.9, linestyle=(0, (1, 2)), zorder=1)
        else:
            panel.set_xlim(-0.5, len(self.x) - 0.5)
            panel.set_xticks(self.x, [shown(written(value), 12) for value in self.values])
        panel.tick_params(labelbottom=last)
        if last:
            panel.set_xlabel(self.along["key"], fontsize=9)

    def _name_file_value(self, panel: Axes) -> None:
        there = self.along["in_file"]
        if self.x is self.values and is_number(there) and min(self.x) <= there <= max(self.x):
            panel.annotate(
                f"in the file: {written(there)}", (there, 1.0), xycoords=("data", "axes fraction"),
                xytext=(0, 2), textcoords="offset points", fontsize=7.5, color=_GREY, ha="center",
            )  # fmt: skip

    def _below(self, width: float) -> list[str]:
        """The lines below the panels."""
        lines = [self.facts["open_loop"], SHORT]
        if self.left_out:
            lines.insert(0, f"{self.left_out} more columns are left out: see sweep.csv.")
        return [part for line in lines for part in wrap(line, int(width * 18))]

    def _texts(self, height: float, same: list[str], below: list[str], left: float) -> None:
        facts = self.facts
        keys = ", ".join(one["key"] for one in facts["vary"])
        traces = plural(len(facts["traces"]), "trace")
        title = f"{shown(Path(facts['calibration']['file']).name, 40)} over {traces}: {keys}"
        self.figure.text(left, 1 - 0.32 / height, title, fontsize=12, weight="bold")
        if same:
            text = f"The same at every setting: {', '.join(same)}."
            self.figure.text(left, 1 - 0.54 / height, text, fontsize=9, color=_GREY)
        for i, line in enumerate(reversed(below)):
            self.figure.text(left, (0.1 + 0.14 * i) / height, line, fontsize=7.5, color=_GREY)
