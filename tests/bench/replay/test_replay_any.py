"""Whatever a trace holds, a replay of it ends in a summary or in one clear line."""

from __future__ import annotations

import io
import json
from contextlib import redirect_stdout, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.calibration import compile_text
from bench.document.terminal import show
from bench.errors import UserError
from bench.facts import as_json
from bench.replay.document import make_document
from bench.replay.facts import make_facts
from bench.replay.findings import Replay, find
from bench.replay.inputs import Options, from_trace
from bench.replay.remarks import make_remarks
from bench.replay.run import run
from bench.trace.read import read_trace
from tests.replay_support import FILE, SLOW_FILE, compiled, write_trace

CALIBRATIONS = [
    compile_text(FILE, "cal.toml"),
    compile_text(SLOW_FILE, "slow.toml"),
    compiled(cylinders=12, firing_order=list(range(1, 13)), tick_us=10000),
    compiled(tick_us=500, progress_axis_kind=1),
]
SWITCH = st.sampled_from(["0", "1", ""])
NUMBER = st.sampled_from(["0", "10.5", "80", "9000", "40000", "-3", ""])
COLUMNS = {
    "Speed [km/h]": NUMBER,
    "Engine speed [rpm]": NUMBER,
    "Shaft speed [rpm]": NUMBER,
    "Armed": SWITCH,
    "Launch": SWITCH,
    "Request reduction [%]": NUMBER,
    "Request retard [deg]": NUMBER,
    "Request reason": NUMBER,
}
HEIGHT = st.sampled_from(["130", "131.2", "300", "500", "1065", "900", "-50", "3", ""])


@st.composite
def traces(draw: st.DrawFn) -> tuple[str, list[list[Any]]]:
    unit = draw(st.sampled_from(["mm", "count", "V"]))
    names = draw(st.lists(st.sampled_from(list(COLUMNS)), unique=True))
    step = draw(st.sampled_from([0.0001, 0.001, 0.02]))
    time, rows = 0.0, []
    # stretches in which every cell stays what it is
    for length, jump in draw(
        st.lists(st.tuples(st.integers(1, 40), st.sampled_from([1, 1, 1, 300])), min_size=2, max_size=8)
    ):
        time += step * jump
        cells = [draw(HEIGHT), *(draw(COLUMNS[name]) for name in names)]
        for _ in range(length):
            time += step
            rows.append([round(time, 6), *cells])
    return ",".join(["Time [s]", f"Height [{unit}]", *names]), rows


@pytest.mark.slow
@settings(max_examples=60)
@given(traces(), st.sampled_from(CALIBRATIONS), st.sampled_from([0.1, 5.0]), st.sampled_from([None, 50.0]))
def test_any_trace(
    trace: tuple[str, list[list[Any]]], calibration: Any, gap: float, speed: float | None
) -> None:
    with TemporaryDirectory() as folder, suppress(UserError):
        recorded = read_trace(write_trace(Path(folder, "trace.csv"), *trace))
        inputs = from_trace(recorded, calibration, Options(gap, speed))
        made = run("reference", calibration.image, inputs.arrays)
        stepped = Replay(inputs, made, calibration)
        found = find(stepped)
        facts = make_facts(recorded, stepped, found, make_remarks(stepped, found), ["liftlatch"])
        assert json.loads(as_json(facts)) == facts
        with redirect_stdout(io.StringIO()) as printed:
            show(make_document(facts, stepped, found), None)
        assert max(map(len, printed.getvalue().splitlines())) <= 80
        for launch in found.launches:
            assert 0 <= launch.share_taken <= 1
            assert launch.end_tick > launch.tick
        events = facts["events"]
        assert sum(cylinder["skipped"] for cylinder in events["cylinders"]) == events["skipped"]
        shares = [reason["share"] for reason in facts["reasons"]]
        assert not shares or abs(sum(shares) - 1) < 1e-4
