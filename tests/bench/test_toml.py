"""Texts read section by section, of which each is read once, say what they say read whole."""

import tomllib
from pathlib import Path

import pytest

from bench.random import Random
from bench.toml import _by_sections

TRACES = Path(__file__).parents[2] / "traces"
LINES = (
    "[a]", "[a.b]", "[b]", "  [a]", " [ a . b ]", "[[a]]", '["a"]', "[a] # c", "[a]\r", "[a] x = 1",
    "[a.b.c]", "[a", "x = 1", "b = 2", "b.c = 3", "a.b.d = 1", "a = {b = 1}", "v = 1\rw = 2", "",
    "u = 1979-05-27", "y = [\n[1, 2],\n[3]\n]", "y = [\n  [1]\n]", 'z = "[a]"', "# [a]", "w = '''\n[a]\n'''",
    '  ["a,b"]', '  [a."x=y"]', "x = 1\r\r",
)  # fmt: skip


@pytest.mark.parametrize("name", ["demo.toml", "demo_car.toml", "demo_front_wheel.toml", "plain.toml"])
def test_a_file_of_ours_is_read_by_sections(name):
    text = (TRACES / name).read_text(encoding="utf-8")
    assert _by_sections(text) == tomllib.loads(text)


def test_what_is_read_by_sections_is_what_is_read_whole():
    rng, same = Random(1), 0
    for _ in range(20_000):
        text = "\n".join(LINES[rng.whole(len(LINES))] for _ in range(1 + rng.whole(7)))
        found = _by_sections(text)
        if found is not None:
            same += 1
            assert repr(found) == repr(tomllib.loads(text)), text
    assert same > 1000


def test_what_is_kept_is_nobodys_to_change():
    text = "[a]\nb = [1, [2]]\nc = {d = [3]}\n"
    found = _by_sections(text)
    assert found is not None
    found["a"]["b"][1].append(4)
    found["a"]["c"]["d"].clear()
    assert _by_sections(text) == tomllib.loads(text)
