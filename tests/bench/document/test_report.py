"""Pages without a browser: what is packed comes out again, hostile text stays text, nothing is fetched."""

import base64
import json
import re
import zlib
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.document.blocks import (
    Bullets,
    Cell,
    Document,
    Group,
    Jump,
    Line,
    Panel,
    Place,
    Points,
    Section,
    Series,
    Source,
    Strip,
    Table,
    Text,
)
from bench.document.columns import NONE, Column, packed
from bench.document.html import render, write_page

HOSTILE = (
    "<script>window.bad=1</script>\"'<img src=x onerror=alert(1)>",
    "</script></style>--><b>",
    "{{ 7 * 7 }}{% for %}",
    "\u202etrap\u2066.csv",
    "שלום",
    "&lt;&amp;",
)


def unpacked(column: dict[str, object]) -> list[int]:
    """The numbers of a packed column by plain Python, from the words of `bench.document.columns`: base64 (RFC
    4648), deflate (RFC 1950), byte planes, folded differences."""
    assert isinstance(column["data"], str)
    assert isinstance(column["n"], int)
    assert isinstance(column["width"], int)
    n, planes = column["n"], zlib.decompress(base64.b64decode(column["data"]))
    assert len(planes) == n * column["width"]
    found, value = [], 0
    for i in range(n):
        folded = sum(planes[plane * n + i] << (8 * plane) for plane in range(column["width"]))
        value += -((folded + 1) // 2) if folded % 2 else folded // 2
        found.append(value)
    return found


NUMBERS = st.one_of(
    st.lists(st.integers(-(2**30), 2**30), max_size=60),
    st.lists(st.integers(-300, 300), max_size=60),
    st.lists(st.sampled_from([0, 1, NONE]), max_size=60),
)


@given(NUMBERS)
@settings(max_examples=60)
def test_a_column_comes_out_as_it_went_in(numbers: list[int]) -> None:
    column = packed(np.array(numbers, dtype=np.int64))
    assert unpacked(column) == numbers
    known = [number for number in numbers if number != NONE]
    assert column["gaps"] == (len(known) < len(numbers))
    if known:
        assert (column["least"], column["most"]) == (min(known), max(known))


@pytest.mark.parametrize("values", [np.array([2**30 + 1]), np.array([-(2**30) - 1]), np.array([0.5])])
def test_what_a_column_cannot_hold_is_refused(values: npt.NDArray[np.float64]) -> None:
    with pytest.raises(ValueError, match="whole numbers"):
        packed(values)


def test_real_numbers_keep_their_decimals_and_gaps() -> None:
    column = Column.of([1.23456, np.nan, np.inf, -7.0], 1, "mm")
    assert (column.numbers / column.per)[[0, 3]].tolist() == pytest.approx([1.235, -7], abs=5e-4)
    assert column.numbers[[1, 2]].tolist() == [NONE, NONE]


def test_a_long_column_is_packed_in_parts() -> None:
    numbers = np.random.default_rng(1).integers(-40_000, 40_000, 300_000)
    column = packed(numbers)
    planes = np.frombuffer(zlib.decompress(base64.b64decode(column["data"])), np.uint8)
    folded = planes.reshape(column["width"], -1).T.astype(np.int64) @ (256 ** np.arange(column["width"]))
    steps = np.where(folded % 2, -(folded + 1) // 2, folded // 2)
    assert (np.cumsum(steps) == numbers).all()


class Elements(HTMLParser):
    """The elements of a page, its text, and what its attributes point to."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.texts: list[str] = []
        self.links: list[str] = []
        self.handlers: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "wbr":
            return  # where a name may be parted, which the text decides
        self.tags.append(tag)
        for name, value in attrs:
            if name in ("src", "href", "action", "data", "poster"):
                self.links.append(value or "")
            if name.startswith("on"):
                self.handlers.append(name)

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def page_of(text: str) -> Document:
    """A page with one text in every place there is for one."""
    jump = Jump("run", 0, 1, 0.5, (0.2, 0.4))
    strip = Strip(
        "run", text, {"run": Series({"a": Column(np.arange(5), 1, text, 0, {3: text})})},
        [Panel(text, text, [Line(text, "a")])], (0, 4), axis=text, places=[Place(text, text, jump)],
    )  # fmt: skip
    groups = [Group(text, [1], [2], tips=[text], ids=[text])]
    points = Points("points", text, text, text, groups, [("x", 1, text)])
    rows = [[text, Cell(text, jump=jump)]]
    blocks = [
        Table([(text, False), (text, True)], rows, text, text, ids=[text], sortable=True),
        Text([text]), Bullets([text], text), Source(text, text), strip, points,
    ]  # fmt: skip
    return Document(
        text, text, [text], [Section(text, blocks)], [(text, text)], [text], key=[(text, text)], alarm=[text]
    )


PLAIN = Elements(render(page_of("plain")))


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_shows_as_text(text: str) -> None:
    page = Elements(render(page_of(text)))
    # The same elements as with harmless text, so nothing of the text became one; and none listens.
    assert page.tags == PLAIN.tags
    assert page.handlers == []
    assert "\u202e" not in "".join(page.texts)
    shown = text.replace("\u202e", "\\u202e").replace("\u2066", "\\u2066")
    assert sum(shown in part for part in page.texts) >= 15


def test_nothing_is_fetched() -> None:
    page = render(page_of("plain"))
    # Content security policy, W3C CSP 3: nothing but what stands in the page.
    assert "default-src 'none'" in page
    assert "connect-src" not in page
    assert all(link.startswith("#") for link in PLAIN.links)
    own = re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL)
    assert "http" not in own.replace("http-equiv", "")
    assert len(page) < 200_000


def test_every_button_of_a_place_says_where_it_goes() -> None:
    page = render(page_of("plain"))
    assert page.count('data-figure="run" data-start="0" data-stop="1" data-at="0.5" data-from="0.2"') == 2


def test_two_figures_of_one_name_are_a_mistake() -> None:
    strip = Strip("run", "", {}, [], (0, 1))
    with pytest.raises(ValueError, match="two figures"):
        render(Document("", "", [], [Section("", [strip, strip])], [], []))


def test_a_page_is_utf_8(tmp_path: Path) -> None:
    write_page(tmp_path / "page.html", page_of("é µ ≤ שלום"))
    assert "é µ ≤ שלום" in (tmp_path / "page.html").read_bytes().decode("utf-8")


def test_numbers_that_json_has_no_word_for_do_not_stop_the_page() -> None:
    """RFC 8259, section 6: no NaN and no infinity; a browser's JSON.parse refuses them."""
    points = Points("points", "", "", "", [Group("", [1.0, np.nan, np.inf], [2.0, 3.0, -np.inf])])
    page = render(Document("", "", [], [Section("", [points])], [], []))
    figures = re.search(r'<script type="application/json" id="figures">(.*?)</script>', page, re.DOTALL)
    assert figures is not None

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    (figure,) = json.loads(figures[1], parse_constant=refuse)
    assert figure["groups"][0]["x"] == [1.0, None, None]
    assert figure["groups"][0]["y"] == [2.0, 3.0, None]


def test_a_long_name_may_be_parted_at_its_joints_and_a_number_nowhere() -> None:
    rows = [["latch.hold_ms"], ["0.125"], ["<a.b>&amp;.toml"]]
    page = render(Document("", "", [], [Section("", [Table([("", False)], rows)])], [], []))
    assert "<bdi>latch.<wbr>hold_<wbr>ms</bdi>" in page
    assert "<bdi>0.125</bdi>" in page
    assert "<bdi>&lt;a.<wbr>b&gt;&amp;amp;.<wbr>toml</bdi>" in page


def test_a_table_has_half_the_page_only_where_it_fits() -> None:
    def page(*row: str) -> str:
        table = Table([("key", False), ("A", True)], [row], ids=["x"])
        return render(Document("", "", [], [Section("", [table])], [], []))

    assert '<div class="table narrow"' in page("latch.hold_ms", "300 ms")
    assert '<div class="table"' in page(
        "progress.expected.elapsed_ms", "0, 500, 1000, 1500, 2000, 3000, 4000 ms"
    )
