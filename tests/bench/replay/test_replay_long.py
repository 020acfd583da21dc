"""Replays whose columns are packed, as those of very long traces are, give the same bytes as whole ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.replay.inputs import Options, from_trace
from bench.replay.run import run
from bench.trace import packed
from bench.trace.packed import Packed
from bench.trace.read import read_trace
from tests import ROOT
from tests.bench.replay.test_replay_command import HEADER, here
from tests.faults.support import content
from tests.replay_support import FILE, compiled, flight, write_trace

TRACES = ROOT / "traces"


def _trace(folder: Path, name: str) -> Path:
    rows: list[list[object]] = [list(row) for row in flight()]
    match name:
        case "logged":
            logged = [[*row, f"{20 * (300 < i < 700)}", f"{i % 9}"] for i, row in enumerate(rows)]
            return write_trace(folder / "run.csv", f"{HEADER},Reduction [%],Retard [deg]", logged)
        case "gaps":  # no height, no speed and no engine speed now and then, and a start too soon to be ready
            for i, row in enumerate(rows):
                for column, each in ((1, 900), (2, 400), (3, 700)):
                    if i % each < 150:
                        row[column] = ""
            return write_trace(folder / "run.csv", f"{HEADER},Launch", [[*row, 1] for row in rows])
        case "no launch":
            return write_trace(folder / "run.csv", "Time [s],Height [mm]", [(row[0], 130) for row in rows])
        case "height alone":
            return write_trace(folder / "run.csv", "Time [s],Height [mm]", [row[:2] for row in rows])
        case _:
            return TRACES / f"{name}.csv"


@pytest.mark.parametrize(
    "name",
    [
        "logged",
        "gaps",
        *(
            pytest.param(name, marks=pytest.mark.slow)
            for name in (
                *("no launch", "height alone", "engine_curve", "front_wheel_speed", "outside_request"),
                "out_of_range",
            )
        ),
    ],
)
def test_packed_columns_give_the_same_bytes(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "cal.toml").write_text(FILE)
    own = _trace(tmp_path, name)
    calibration = TRACES / "demo.toml" if own.parent == TRACES else tmp_path / "cal.toml"
    words = ("replay", own, "--calibration", calibration, "--out", tmp_path / "out")
    whole = (here(*words), content(tmp_path / "out"))
    assert whole[0][0] == 0, whole[0][2]
    monkeypatch.setattr(packed, "MOST_PLAIN", 700)
    monkeypatch.setattr(packed, "_BLOCK", 256)
    made: list[Packed] = []

    def note(self: Packed) -> Packed:
        made.append(self)
        return self

    monkeypatch.setattr(Packed, "made", note)
    assert (here(*words), content(tmp_path / "out")) == whole
    assert len(made) > 20


def test_a_long_trace_has_the_ticks_of_a_short_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each column, number by number; what other commands ask for stays plain."""
    trace = write_trace(tmp_path / "run.csv", HEADER, flight())
    whole = from_trace(read_trace(trace), compiled(), Options())
    monkeypatch.setattr(packed, "MOST_PLAIN", 700)
    assert not isinstance(from_trace(read_trace(trace), compiled(), Options()).arrays["counts"], Packed)
    small = from_trace(read_trace(trace), compiled(), Options(), compact=True)
    assert isinstance(small.arrays["counts"], Packed)
    image = compiled().image
    mine, theirs = (run("reference", image, one.arrays) for one in (whole, small))
    for name, column in {**whole.arrays, **mine.ticks}.items():
        other = {**small.arrays, **theirs.ticks}[name]
        assert isinstance(other, Packed)
        assert column.dtype == other.dtype
        assert (column == other).all(), name
