"""What a document is put together from. All texts may hold anything: every renderer shows them as text.

`bench/document/README.md` says how a command makes its document, and what each renderer does with it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from bench.document.columns import Column

Style = Literal[
    "main", "second", "third", "fourth", "pale", "thin", "limit", "limit-dashed", "limit-dotted",
    "limit-long", "limit-mixed", "limit-pairs", "fill", "dots",
    "run-0", "run-1", "run-2", "run-3", "run-4", "run-5",
]  # fmt: skip
"""How a line looks: each differs from the others in dash, width or marker as well as in colour. `main` is a
thick plain line; `limit...` are thin, in the colour of limits; `fill` is a grey area down to 0; `dots` are
points without a line; `run-N` are for overlays of several runs."""


Where = Literal["everywhere", "screen", "page"]
"""Who shows a block or a section: terminal and page, or one of them. Figures have no place on a terminal."""


@dataclass(frozen=True)
class Jump:
    """A place in a figure to go to: it is shown from `start` to `stop`, with the cursor at `at` (all on the
    figure's axis). `mark` = (from, to) is shaded."""

    figure: str
    start: float
    stop: float
    at: float
    mark: tuple[float, float] | None = None


@dataclass(frozen=True)
class Cell:
    """A cell of a table that is more than its text: `look` makes it stand out, `jump` makes it a button, and
    `link` a way to another file, by a path from the page on."""

    text: str
    look: Literal["", "strong", "good", "bad"] = ""
    jump: Jump | None = None
    link: str = ""


@dataclass(frozen=True)
class Table:
    """Columns are (title, whether to the right); the first cell of a row heads it. A title may hold a line
    break, which a terminal keeps. `chosen` rows stand out, `chosen_as` says why; `ids` tie rows to the points
    of a Points figure; a `sortable` table is put in order by its titles. A terminal shows the first
    `screen_rows`, or those of these numbers, or all for 0."""

    columns: Sequence[tuple[str, bool]]
    rows: Sequence[Sequence[str | Cell]]
    caption: str = ""
    note: str = ""
    chosen: Sequence[int] = ()
    chosen_as: str = ""
    ids: Sequence[str] = ()
    sortable: bool = False
    screen_rows: int | Sequence[int] = 0
    where: Where = "everywhere"
    kind: Literal["table"] = "table"


@dataclass(frozen=True)
class Text:
    """Paragraphs; `title` stands above them."""

    paragraphs: Sequence[str]
    title: str = ""
    where: Where = "everywhere"
    kind: Literal["text"] = "text"


@dataclass(frozen=True)
class Bullets:
    """A list; `title` stands above it."""

    lines: Sequence[str]
    title: str = ""
    where: Where = "everywhere"
    kind: Literal["bullets"] = "bullets"


@dataclass(frozen=True)
class Source:
    """A text as it stands in a file, folded away under its title; only on a page."""

    title: str
    text: str
    kind: Literal["source"] = "source"


# --- curves over one axis


@dataclass(frozen=True)
class Series:
    """Columns of equal length. The axis is `first` + i * `step`, or `first` + the rising column named
    `along`, whose numbers lie `step` apart where they are closest."""

    columns: dict[str, Column]
    first: float = 0.0
    step: float = 1.0
    along: str = ""


@dataclass(frozen=True)
class Line:
    """One curve: a column of a series. `stepped` holds each value until the next one; the panel's scale makes
    room for it where it is `scaled`."""

    label: str
    column: str
    look: Style = "main"
    series: str = "run"
    stepped: bool = False
    scaled: bool = True


@dataclass(frozen=True)
class Level:
    """A constant, as a thin line across the panel."""

    label: str
    value: float
    look: Style = "limit"


@dataclass(frozen=True)
class Note:
    """A few letters over the curves of a panel at a place of the axis, such as the height of a peak; where
    `series` is given, over its curves alone. The first ones matter most."""

    at: float
    text: str
    series: str = ""


@dataclass(frozen=True)
class Shade:
    """A panel is shaded where the column has some of the bits of `mask`, and `label` says why."""

    label: str
    column: str
    mask: int = -1
    series: str = "run"


@dataclass(frozen=True)
class Panel:
    """Curves on one scale. The scale follows what is shown; it begins at `bottom` where that is given, and
    reaches to `least_top` at least. `notes` and `shades` are for pictures, which have no cursor to tell the
    numbers."""

    title: str
    unit: str
    lines: Sequence[Line]
    levels: Sequence[Level] = ()
    height: int = 150
    bottom: float | None = None
    least_top: float | None = None
    notes: Sequence[Note] = ()
    shades: Sequence[Shade] = ()
    kind: Literal["panel"] = "panel"


Bar = Literal["solid", "slash", "plain", "cross", "dot", "back", "dash", "pipe", "plus", "vee"]
"""The patterns of bars, each with a fill of its own."""


@dataclass(frozen=True)
class Row:
    """A row of named bars: each number of the column (its bits of `mask`) is one bar, called by `words`;
    0 is none. A `label` of up to 7 letters has room beside the row.

    `bars` gives each number its pattern, from the most to the least important: where many numbers fall on one
    pixel the first of them is drawn. What is not in it is drawn last, plain.
    """

    label: str
    column: str
    bars: dict[int, Bar]
    words: dict[int, str]
    mask: int = -1
    series: str = "run"


@dataclass(frozen=True)
class Bands:
    """Rows of named bars, told apart by pattern and name as well as by colour."""

    title: str
    rows: Sequence[Row]
    kind: Literal["bands"] = "bands"


@dataclass(frozen=True)
class Events:
    """Cylinder events: when (column `tick`: `first` + tick * `step` on the axis), which (`place` in the
    firing order, 0 up) and `off` (0 fired). `names` are the cylinders in firing order, `beside` says in a
    picture something of each of them, and `beside_title` what."""

    title: str
    tick: Column
    place: Column
    off: Column
    names: Sequence[str]
    first: float = 0.0
    step: float = 1.0
    beside: Sequence[str] = ()
    beside_title: str = ""
    kind: Literal["events"] = "events"


@dataclass(frozen=True)
class Zero:
    """Where the seconds of a stretch of the axis count from, and what they are called."""

    at: float
    label: str


@dataclass(frozen=True)
class Place:
    """One entry of the list beside a figure."""

    title: str
    detail: str
    jump: Jump
    kind: Literal["launch", "lift", "cut", "fault", "mark"] = "mark"


@dataclass(frozen=True)
class Strip:
    """Panels one above the other over one axis, with zoom, cursor and a list of places beside them.

    `view` is what is shown first, with the cursor at `cursor`. `zeros` give the axis its origins, in order;
    with none it shows its own numbers, called `axis`.
    """

    name: str
    title: str
    series: dict[str, Series]
    panels: Sequence[Panel | Bands | Events]
    view: tuple[float, float]
    axis: str = "s"
    decimals: int = 3
    cursor: float | None = None
    zeros: Sequence[Zero] = ()
    places: Sequence[Place] = ()
    kind: Literal["strip"] = "strip"


# --- points


@dataclass(frozen=True)
class Group:
    """Points that look alike. `tips` say what is shown of each; `ids` tie them to rows of a table; `joined`
    draws a line through them in the order given."""

    label: str
    x: Sequence[float]
    y: Sequence[float]
    look: Literal["pale", "solid", "chosen", "cross", "square", "run-0", "run-1", "run-2", "run-3", "run-4",
                  "run-5", "line", "line-dashed"] = "solid"  # fmt: skip
    tips: Sequence[str] = ()
    ids: Sequence[str] = ()
    joined: bool = False


@dataclass(frozen=True)
class Points:
    """Points over two scales, with `limits` as (axis "x" or "y", value, label)."""

    name: str
    title: str
    x_label: str
    y_label: str
    groups: Sequence[Group]
    limits: Sequence[tuple[Literal["x", "y"], float, str]] = ()
    x_range: tuple[float, float] | None = None
    y_range: tuple[float, float] | None = None
    x_words: Sequence[str] = ()
    height: int = 340
    kind: Literal["points"] = "points"


@dataclass(frozen=True)
class Map:
    """A map of a calibration as a table, the highest lift on top; only on a page. `cells` are the numbers as
    [lifts][points], in rising order, and `below` what stands under each (none where it is empty); `changed`
    cells, (lift, point), stand out. `way` draws a run's way over the cells: "lifts" and "points" of the axes,
    "v" and "p" of the run, all in the same units."""

    name: str
    title: str
    lift_title: str
    point_unit: str
    lifts: Sequence[str]
    points: Sequence[str]
    cells: Sequence[Sequence[str]]
    below: Sequence[Sequence[str]] = ()
    way: dict[str, Any] | None = None
    note: str = ""
    changed: Collection[tuple[int, int]] = ()
    kind: Literal["map"] = "map"


@dataclass(frozen=True)
class WhatIf:
    """The controller itself on a page, which runs again over a run's inputs while the reader moves a setting;
    the strip named `figure` follows.

    core: a WebAssembly module; inputs: a column for each input but the tick's number, in the core's order;
    images: calibration images of equal length, that of the run first; spec: what the script is told besides.
    """

    figure: str
    core: bytes
    images: bytes
    inputs: Sequence[Column]
    spec: dict[str, Any]
    kind: Literal["what if"] = "what if"


Figure = Strip | Points
Block = Table | Text | Bullets | Source | Figure | Map | WhatIf


@dataclass(frozen=True)
class Section:
    """A part of a document. On a page `wide` blocks stand below one another; else short ones stand side by
    side. A terminal shows no titles of sections: its blocks have their own."""

    title: str
    blocks: Sequence[Block]
    wide: bool = True
    where: Where = "everywhere"


@dataclass(frozen=True)
class Subject:
    """One of the things a document is about: a name, the file it is (if it is one), and a few words."""

    name: str
    text: str
    path: str = ""


@dataclass(frozen=True)
class Picture:
    """A picture file of its own: figures one below the other, made when they are asked for."""

    file: str
    title: str
    subtitle: str
    figures: Callable[[], Sequence[Figure]]


@dataclass(frozen=True)
class Document:
    """What a command found, said once: what it is about, the answer in words, and all sections.

    what: the command in a word or two; title: file names and the like; answer: sentences, the first one the
    most important; provenance: how it was made, beyond the subjects; key: (value, what it is); alarm: what
    must not be overlooked; remarks: what deserves attention; files: what else is written beside it; summary:
    the file of its facts.
    """

    what: str
    title: str
    answer: Sequence[str]
    sections: Sequence[Section]
    provenance: Sequence[tuple[str, str]]
    cautions: Sequence[str]
    key: Sequence[tuple[str, str]] = ()
    alarm: Sequence[str] = ()
    subjects: Sequence[Subject] = ()
    remarks: Sequence[str] = ()
    pictures: Sequence[Picture] = ()
    files: Sequence[str] = ()
    summary: str = "summary.json"
