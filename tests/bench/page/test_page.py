"""The front end: what is shipped is what its sources and its lock file give, with all licences."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

from bench.document.blocks import Document
from bench.document.html import render
from bench.page import built
from tests import ROOT
from tests.tools import need_node

PAGE = ROOT / "bench" / "page"
MIT = (
    "Permission is hereby granted, free of charge, to any person obtaining a copy",
    "shall be included in all copies or substantial portions of the Software.",
    "OR THE USE OR OTHER DEALINGS IN THE SOFTWARE.",
)
"""The beginning, the condition and the end of the MIT License; source: SPDX License List, identifier MIT."""


@pytest.mark.parametrize("name", ["report.js", "desk.js", "stand.js"])
def test_a_script_is_one(name: str, tmp_path: Path) -> None:
    """Its syntax, without a browser (`node --check`)."""
    (tmp_path / name).write_bytes(built(name))
    read = subprocess.run(
        [need_node(), "--check", tmp_path / name], capture_output=True, text=True, check=False
    )
    assert read.returncode == 0, read.stderr


def test_licences_stand_whole_in_each_report() -> None:
    text = built("report-licences.txt").decode()
    page = render(Document("", "", [], [], [], []))
    assert text.replace("'", "&#39;").replace('"', "&#34;") in page
    for package in ("preact", "uplot"):
        version = json.loads((PAGE / "package.json").read_text())["dependencies"][package]
        assert f"\n{package} {version}\n" in text
    assert [" ".join(text.split()).count(part) for part in MIT] == [2, 2, 2]


def test_the_lock_file_names_no_host_and_each_package_by_its_content() -> None:
    """npm, package-lock.json: `integrity` is the digest of the package, which `npm ci` checks."""
    packages = json.loads((PAGE / "package-lock.json").read_text())["packages"]
    assert all("integrity" in one and "resolved" not in one for name, one in packages.items() if name)


def test_nothing_is_fetched_from_anywhere() -> None:
    for name in ("report.js", "report.css", "desk.js", "desk.css", "index.html", "stand.js", "stand.css"):
        found = re.findall(r"https?://[^\s\"'`)]+", built(name).decode())
        assert {url for url in found if not url.startswith("http://www.w3.org/")} == set(), name


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("npm") is None, reason="npm is not here; run: apt-get install nodejs npm")
def test_the_built_files_are_those_of_their_sources() -> None:
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder, "page")
        shutil.copytree(PAGE, copy, ignore=shutil.ignore_patterns("node_modules", "static"))
        for command in (
            ["npm", "ci", "--no-audit", "--no-fund", "--silent"],
            ["node", "build.mjs", f"{folder}/out"],
        ):
            subprocess.run(command, cwd=copy, check=True, capture_output=True, timeout=300)
        built = {path.name: path.read_bytes() for path in Path(folder, "out").iterdir()}
    shipped = {path.name: path.read_bytes() for path in (PAGE / "static").iterdir()}
    assert built.keys() == shipped.keys()
    for name, content in built.items():
        assert content == shipped[name], f"{name}: run npm ci && npm run build in bench/page"
