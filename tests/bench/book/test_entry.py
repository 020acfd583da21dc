"""What a person says of a run: read, written, corrected."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.book.entry import air_of, changed, read, slip, text
from bench.errors import UserError

TEXTS = st.text(max_size=30).filter(
    lambda word: word < "\ud800" or not any(0xD800 <= ord(c) < 0xE000 for c in word)
)
VALUES = st.one_of(TEXTS, st.booleans(), st.integers(-(2**53), 2**53), st.floats(allow_nan=False))


@given(
    st.dictionaries(
        st.sampled_from(["run", "air", "mine own", "ü"]), st.dictionaries(TEXTS, VALUES, max_size=4)
    )
)
def test_what_is_written_is_read_back(entry: dict[str, Any]) -> None:
    written = {name: table for name, table in entry.items() if table}
    assert tomllib.loads(text(entry)) == written


def test_everything_can_be_corrected_later_and_what_is_unknown_stays() -> None:
    before = {"book_version": 1, "run": {"note": "a", "weather": "sun"}, "tyres": {"bar": [1.1, 1.2]}}
    after = changed(before, {"note": "b", "lane": "left", "slips": ["60=1.02", "660 ft = 4.9@150mph"]})
    assert after["run"] == {"note": "b", "weather": "sun", "lane": "left"}
    assert after["tyres"] == before["tyres"]
    assert after["slip"]["660_ft_km_per_h"] == pytest.approx(150 * 1.609344, abs=1e-3)
    again = changed(after, {"note": "", "slips": ["60="], "temperature_c": 20.0})
    assert again["run"] == {"weather": "sun", "lane": "left"}
    assert "60_ft_s" not in again["slip"]
    assert changed(again, {"temperature_c": math.nan})["air"] == {}
    assert before["run"]["note"] == "a"
    assert tomllib.loads(text(again)) == {k: v for k, v in again.items() if v}


@pytest.mark.parametrize("word", ["61=1", "60", "60=fast", "60=-1", "60=1@fast", "660=4@@", "=1"])
def test_a_wrong_line_of_a_slip_is_refused(word: str) -> None:
    with pytest.raises(UserError, match="is no line of a time slip"):
        slip(word)


@pytest.mark.parametrize(
    ("told", "what"),
    [
        ({"temperature_c": 300.0}, "--temperature: 300 cannot be"),
        ({"pressure_hpa": 30.0}, "--pressure"),
        ({"when": "yesterday"}, "is no time"),
    ],
)
def test_what_cannot_be_is_refused(told: dict[str, Any], what: str) -> None:
    with pytest.raises(UserError, match=what):
        changed({}, told)


def test_an_altitude_stands_in_for_a_pressure() -> None:
    assert air_of({"air": {"temperature_c": 8.5, "altitude_m": 1000.0}})["density_altitude_m"] == 1000
    assert air_of({"air": {"temperature_c": 8.5}})["density_kg_m3"] is None


def test_a_damaged_file_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "run.toml"
    for content in ("[run", "run = 3", "\x00"):
        path.write_text(content)
        with pytest.raises(UserError) as said:
            read(path)
        assert "\n" not in str(said.value)
