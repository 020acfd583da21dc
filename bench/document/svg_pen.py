"""What a picture is drawn with: elements of SVG as text, how lines, bars and points look, and room for text.

The colours are those of a page in light, on white: a picture is for paper. Each look differs from the others
in dash, width, pattern or marker too, so that it reads in black and white.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html import escape

from bench.document.blocks import Bar, Style
from bench.trace.text import shown

INK, SOFT, RULE, GRID, PAPER = "#101418", "#4a525b", "#8a929b", "#e3e6e9", "#ffffff"
BLUE, ORANGE, GREEN, PURPLE, BROWN = "#0b5fa5", "#b34700", "#006b4f", "#7a3e8e", "#6b5300"
FILL, PALE, SHADE = "#b4bac1", "#7b838c", "#f6dcc4"
FONT = "Arial, 'Liberation Sans', 'DejaVu Sans', sans-serif"

LONGEST = 200  # letters of a text that are shown

LINES: dict[Style, tuple[str, float, str]] = {
    "main": (INK, 2.2, ""),
    "second": (BLUE, 1.6, "9 3"),
    "third": (GREEN, 1.7, "3 3"),
    "fourth": (PURPLE, 1.7, "10 3 2 3 2 3"),
    "pale": (PALE, 1.2, ""),
    "thin": (INK, 0.9, ""),
    "limit": (ORANGE, 1.5, ""),
    "limit-dashed": (ORANGE, 1.5, "8 4"),
    "limit-dotted": (ORANGE, 1.8, "2 4"),
    "limit-long": (ORANGE, 1.5, "16 5"),
    "limit-mixed": (ORANGE, 1.5, "10 3 2 3"),
    "limit-pairs": (ORANGE, 1.8, "2 3 2 9"),
    "fill": (PALE, 0.8, ""),
    "dots": (BLUE, 2.6, ""),
    "run-0": (INK, 2.3, ""),
    "run-1": (BLUE, 1.9, "9 4"),
    "run-2": (ORANGE, 1.9, "3 3"),
    "run-3": (GREEN, 1.9, "12 3 3 3"),
    "run-4": (PURPLE, 1.4, ""),
    "run-5": (BROWN, 1.4, "6 6"),
}
"""Colour, width and dash of lines; `fill` has an area below it, `dots` are the points alone."""

BARS: dict[Bar, tuple[str, str]] = {
    "solid": (SOFT, ""),
    "slash": ("#b8d4ee", "M-2 10 10 -2M-2 2 2 -2M6 10 10 6"),
    "plain": ("#dfe3e7", ""),
    "cross": ("#f6cfae", "M0 0 8 8M0 8 8 0"),
    "dot": ("#d9e8dc", "M3 4h2"),
    "back": ("#f6cfae", "M-2 -2 10 10M-2 6 2 10M6 -2 10 2"),
    "dash": ("#b8d4ee", "M0 2h8M0 6h8"),
    "pipe": ("#d9e8dc", "M2 0v8M6 0v8"),
    "plus": ("#dfe3e7", "M0 4h8M4 0v8"),
    "vee": ("#b8d4ee", "M0 2 4 6 8 2"),
}
"""Ground and hatch of bars, on a tile of 8 pixels."""

_NARROW, _WIDE = frozenset("ijl.,:;|!'()[]/ frtI"), frozenset("mwMW@%—")


def width_of(text: str, size: float) -> float:
    """About how wide a text is, in pixels, rather too wide than too narrow."""
    total = 0.0
    for char in text:
        if ord(char) >= 0x1100:
            total += 1.05
        elif char in _NARROW:
            total += 0.4
        elif char in _WIDE:
            total += 0.95
        else:
            total += 0.7 if char.isupper() else 0.61
    return total * size


def cut(text: str, size: float, room: float) -> str:
    """A text as `shown` gives it, with its end left out where it is wider than `room` pixels."""
    text = shown(text, LONGEST)
    if width_of(text, size) <= room:
        return text
    while text and width_of(text, size) + width_of("...", size) > room:
        text = text[:-1]
    return text.rstrip() + "..."


def folded(text: str, size: float, room: float, most: int = 99) -> list[str]:
    """A text in lines of at most `room` pixels, at most so many of them."""
    lines = [""]
    for word in shown(text, 10 * LONGEST).split():
        longer = f"{lines[-1]} {word}".strip()
        if width_of(longer, size) <= room or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    if len(lines) > most:
        lines[most - 1] += " " + " ".join(lines[most:])
    return [cut(line, size, room) for line in lines[:most]]


def number(value: float) -> str:
    """To a tenth of a pixel."""
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


@dataclass
class Pen:
    """Puts elements one after the other; patterns and clips that they use are kept beside them."""

    parts: list[str] = field(default_factory=list)
    bars: dict[Bar, None] = field(default_factory=dict)
    clips: list[str] = field(default_factory=list)

    def put(self, name: str, **attributes: str | float) -> None:
        """An element without content. In names of attributes `_` stands for `-`; empty ones are left out."""
        self.parts.append(f"<{name}{_attributes(attributes)}/>")

    def line(
        self, x1: float, y1: float, x2: float, y2: float, color: str, width: float = 1, dash: str = ""
    ) -> None:
        self.put(
            "line", x1=x1, y1=y1, x2=x2, y2=y2, stroke=color, stroke_width=width, stroke_dasharray=dash
        )  # fmt: skip

    def path(self, d: str, color: str, width: float, dash: str = "", **more: str | float) -> None:
        if d:
            self.put(
                "path", d=d, fill="none", stroke=color, stroke_width=width, stroke_dasharray=dash, **more
            )

    def text(
        self, x: float, y: float, text: str, size: float = 12, color: str = INK, anchor: str = "",
        weight: str = "", halo: bool = False,
    ) -> None:  # fmt: skip
        """A text with its base line at `y`; a halo keeps it readable over lines."""
        around: dict[str, str | float] = {}
        if halo:
            around = {"stroke": PAPER, "stroke_width": 3, "stroke_linejoin": "round", "paint_order": "stroke"}
        look: dict[str, str | float] = {
            "font_size": size, "fill": color, "text_anchor": anchor, "font_weight": weight,
        }  # fmt: skip
        made = _attributes({"x": x, "y": y, **look, **around})
        self.parts.append(f"<text{made}>{escape(shown(text, LONGEST), quote=False)}</text>")

    def open(self, **attributes: str | float) -> None:
        self.parts.append(f"<g{_attributes(attributes)}>")

    def clip(self, x: float, y: float, width: float, height: float) -> None:
        """Opens a group of which only what lies within is seen."""
        self.clips.append(f"<rect{_attributes({'x': x, 'y': y, 'width': width, 'height': height})}/>")
        self.open(clip_path=f"url(#clip-{len(self.clips)})")

    def close(self) -> None:
        self.parts.append("</g>")

    def bar(self, bar: Bar, d: str) -> None:
        """An area with the pattern of a bar."""
        self.bars[bar] = None
        self.put(
            "path",
            d=d,
            fill=f"url(#bar-{bar})" if BARS[bar][1] else BARS[bar][0],
        )

    def sample(self, look: Style, x: float, y: float, width: float = 34) -> None:
        """A short stretch of a line, in the middle of which `y` lies."""
        color, wide, dash = LINES[look]
        if look == "fill":
            self.put("rect", x=x, y=y - 5, width=width, height=10, fill=FILL, stroke=color, stroke_width=wide)
        elif look == "dots":
            d = "".join(f"M{number(x + at)} {number(y)}h0" for at in (4, 12, 20, 28))
            self.path(d, color, 3.6, stroke_linecap="round")
        else:
            self.line(x, y, x + width, y, color, wide, dash)

    def bar_sample(self, bar: Bar, x: float, y: float) -> None:
        """A small field with the pattern of a bar, in the middle of which `y` lies."""
        self.bar(bar, f"M{number(x)} {number(y - 6)}h34v12h-34z")

    def definitions(self) -> Iterator[str]:
        """The patterns and clips in use."""
        for number_, rect in enumerate(self.clips, 1):
            yield f'<clipPath id="clip-{number_}">{rect}</clipPath>'
        for bar in sorted(self.bars):
            ground, hatch = BARS[bar]
            if hatch:
                yield (
                    f'<pattern id="bar-{bar}" width="8" height="8" patternUnits="userSpaceOnUse">'
                    f'<rect width="8" height="8" fill="{ground}"/>'
                    f'<path d="{hatch}" fill="none" stroke="{INK}" stroke-width="1"/></pattern>'
                )


def _attributes(given: dict[str, str | float]) -> str:
    return "".join(
        f' {name.replace("_", "-")}="{escape(value if isinstance(value, str) else number(value))}"'
        for name, value in given.items()
        if value != ""
    )
