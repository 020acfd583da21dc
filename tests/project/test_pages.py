"""The pages: every link leads somewhere, what they name is there, the map stays short."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests import ROOT

ELSEWHERE = {"node_modules", "out", "build"}
PAGES = sorted(
    path
    for path in ROOT.glob("**/*.md")
    if not any(part in ELSEWHERE or part.startswith(".") for part in path.relative_to(ROOT).parts)
)
FENCED = re.compile(r"^```.*?^```", re.MULTILINE | re.DOTALL)
NAMED = re.compile(r"`(?:python -m )?((?:bench|tests|controller|firmware_model|traces)/[\w./-]*\w)`")
MODULE = re.compile(r"\bpython -m ((?:bench|tests|firmware_model)[\w.]*)")


def anchors(page: Path) -> set[str]:
    """The headings of a page as links name them: lower case, words joined by hyphens."""
    heads = re.findall(r"^#+ (.*)$", FENCED.sub("", page.read_text(encoding="utf-8")), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", head.lower()).replace(" ", "-") for head in heads}


def dead(page: Path) -> list[str]:
    """Links of a page that lead nowhere, and names of files and modules that are not there."""
    text = FENCED.sub("", page.read_text(encoding="utf-8"))
    wrong = []
    for link in re.findall(r"\]\(([^)\s]+)\)", text):
        if link.startswith(("http:", "https:")):
            continue
        name, _, anchor = link.partition("#")
        target = (page.parent / name).resolve() if name else page
        if not target.exists() or (anchor and anchor not in anchors(target)):
            wrong.append(link)
    wrong += [name for name in NAMED.findall(text) if not any(ROOT.glob(f"{name}*"))]
    for name in MODULE.findall(text):
        place = ROOT / name.rstrip(".").replace(".", "/")
        if not place.with_suffix(".py").exists() and not (place / "__main__.py").exists():
            wrong.append(f"python -m {name}")
    return wrong


@pytest.mark.parametrize("page", PAGES, ids=[str(page.relative_to(ROOT)) for page in PAGES])
def test_links_and_names_lead_somewhere(page: Path) -> None:
    assert dead(page) == []


def test_a_dead_link_is_found(tmp_path: Path) -> None:
    page = tmp_path / "a.md"
    page.write_text(
        "# One thing\n[a](a.md#one-thing) [b](b.md) [c](#two) `tests/nowhere.py` `tests/rules.py`\n"
        "    python -m tests.nothing\n    python -m tests.rules\n"
    )
    assert dead(page) == ["b.md", "#two", "tests/nowhere.py", "python -m tests.nothing"]


def test_every_page_is_reached_from_the_map() -> None:
    seen: set[Path] = set()
    left = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    while left:
        page = left.pop()
        if page not in seen:
            seen.add(page)
            links = re.findall(r"\]\(([^)\s#]+\.md)(?:#[^)]*)?\)", page.read_text(encoding="utf-8"))
            left += [(page.parent / link).resolve() for link in links if "://" not in link]
    assert set(PAGES) - seen == set()


def test_the_map_is_short() -> None:
    assert (ROOT / "DEVELOPERS.md").stat().st_size <= 10_000
