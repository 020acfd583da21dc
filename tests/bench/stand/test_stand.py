"""The stand's page as Python writes it: one document, nothing from elsewhere, the calibration's own image."""

from __future__ import annotations

import base64
import json
import re
import struct
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from bench.calibration import load
from bench.calibration.image import field_places
from bench.cautions import CAUTIONS
from bench.page import built
from bench.stand.page import REFUSALS, render
from controller import constants
from controller.image import LENGTH
from firmware_model.wasm.build import MODULE
from tests import ROOT

CALIBRATION = ROOT / "traces" / "plain.toml"
LARGEST = 250_000  # bytes: small enough for a message


@pytest.fixture(scope="module")
def page() -> str:
    return render(load(CALIBRATION), "0.0")


class Parts(HTMLParser):
    """The elements of a page by name, with their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def spec_of(page: str) -> dict[str, Any]:
    found = re.search(r'<script type="application/json" id="spec">(.*?)</script>', page, re.DOTALL)
    assert found
    spec = json.loads(found[1])
    assert isinstance(spec, dict)
    return spec


def test_it_is_one_small_document(page: str) -> None:
    parts = Parts(page).found
    assert [tag for tag, _ in parts if tag in ("html", "body", "main")] == ["html", "body", "main"]
    assert len(page.encode()) < LARGEST
    assert [(tag, one) for tag, one in parts for name in ("src", "href", "srcset") if name in one] == []


def test_nothing_comes_from_elsewhere(page: str) -> None:
    """The addresses of the licences' owners are text; the script's are names of XML's languages."""
    bare = page.replace(built("stand-licences.txt").decode().replace("'", "&#39;").replace('"', "&#34;"), "")
    assert "MIT License" not in bare
    found = set(re.findall(r"https?://[^\s\"'`)<]+", bare))
    assert {one for one in found if not one.startswith("http://www.w3.org/")} == set()
    policy = next(one["content"] for _, one in Parts(page).found if "http-equiv" in one)
    assert policy
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["script-src"].split() == ["'unsafe-inline'", "'wasm-unsafe-eval'"]


def test_image_and_core_are_those_of_the_calibration_and_of_the_project(page: str) -> None:
    spec = spec_of(page)
    assert base64.b64decode(spec["image"]) == load(CALIBRATION).image
    assert base64.b64decode(spec["core"]) == MODULE.read_bytes()


def test_the_fields_stand_where_the_page_reads_them() -> None:
    """Read back by Python's own struct: what the calibration compiled to."""
    calibration = load(CALIBRATION)
    places = field_places()
    at, code, count = max(places.values())
    assert at + count * struct.calcsize(f"<{code}") == LENGTH
    for name, value in calibration.values.items():
        at, code, count = places[name]
        read = list(struct.unpack_from(f"<{count}{code}", calibration.image, at))
        whole = value if isinstance(value, list) else [value]
        assert read[: len(whole)] == whole, name


def test_every_refusal_has_words() -> None:
    codes = {v for name, v in vars(constants).items() if re.fullmatch(r"IMAGE_[A-Z_]+", name)}
    assert set(REFUSALS) == {
        constants.IMAGE_MAGIC, constants.IMAGE_VERSION_OTHER, constants.IMAGE_LENGTH, constants.IMAGE_CRC,
        constants.IMAGE_RANGE, constants.IMAGE_ORDER,
    }  # fmt: skip
    assert set(REFUSALS) <= codes


def test_the_cautions_stand_on_it(page: str) -> None:
    assert CAUTIONS in page.replace("&#39;", "'")
    assert "stands before the strip" in " ".join(
        CAUTIONS.replace("on stands before", "stands before").split()
    )


def test_a_name_that_is_markup_is_text(tmp_path: Path) -> None:
    marked = tmp_path / "<b onclick=x>.toml"
    marked.write_bytes(CALIBRATION.read_bytes())
    text = render(load(marked), "0.0")
    assert "<b onclick" not in text
    assert "&lt;b onclick" in text
