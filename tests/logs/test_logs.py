"""Twelve logs in twelve forms: each is read with one layout and no other option, and `trace show` alone names
the right columns in nearly all."""

from __future__ import annotations

import json
import math
import shutil

import numpy as np
import pytest
from click.testing import CliRunner

from bench.calibration import load
from bench.cli import liftlatch
from bench.replay.inputs import from_trace
from bench.trace.choice import ColumnChoice
from bench.trace.grid import on_grid
from bench.trace.layout import load_layout
from bench.trace.passes import look_for_passes
from bench.trace.read import read_trace
from tests import ROOT
from tests.logs.forms import FORMS, LAYOUTS, RATIO, TYRE_MM, run

ROLES = ("height", "speed", "engine_speed")


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Every form as a file."""
    folder = tmp_path_factory.mktemp("logs")
    made = {}
    for name, form in FORMS.items():
        made[name] = (folder / f"{name}.csv", form())
        content = made[name][1].content
        made[name][0].write_bytes(content if isinstance(content, bytes) else content.encode())
    return made


def show(path, *options):
    done = CliRunner().invoke(liftlatch, ["trace", "show", str(path), *options, "--json"])
    assert done.exit_code == 0, done.exception
    return json.loads(done.stdout)


@pytest.mark.parametrize("name", FORMS)
def test_each_is_read_with_one_layout_and_no_other_option(files, name):
    path, form = files[name]
    trace = read_trace(path, ColumnChoice(layouts=(str(LAYOUTS / f"{name}.toml"),)))
    grid = on_grid(trace, 5000, 0.11)
    rows = run()
    start = 0
    if name == "passes":
        start = 17 * 200
    part = slice(start, start + len(rows) - 10)
    height = grid.values["height"][part]
    channel = trace.channels["height"]
    if channel.unit == "V":
        height = np.interp(height, *zip(*channel.curve, strict=True))
    if channel.unit == "count":
        height = height * 500 / 4095
    assert np.abs(height - [r.height for r in rows[:-10]])[8:].max() <= form.step
    speed = np.array([r.speed for r in rows[:-10]])
    if name == "shaft":
        # one turn of the wheel is pi times its diameter (geometry); the shaft turns RATIO times as fast
        speed = np.array([r.shaft for r in rows[:-10]]) / RATIO * math.pi * TYRE_MM * 60 / 1e6
    assert np.nanmax(np.abs(grid.values["speed"][part] - speed)) <= form.slow + 1e-9
    assert np.abs(grid.values["engine_speed"][part] - [r.engine for r in rows[:-10]]).max() <= 1.0
    if form.launch:
        launched = int(np.argmax(grid.values["launch"] > 0.5))
        assert launched == next(i for i, r in enumerate(rows) if r.launch)


def right(path, form, *options):
    """Whether `trace show` names the columns of height, speed and engine speed, and no other."""
    named = {one["role"]: one["column"] for one in show(path, *options)["columns"] if one["role"]}
    return tuple(named.get(role) for role in ROLES) == form.columns


def test_trace_show_alone_names_the_right_columns_in_nearly_all(files):
    wrong = [name for name, (path, form) in files.items() if not right(path, form)]
    assert wrong == ["bare"]  # it has no names


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in FORMS if name not in ("bare", "shaft")])
def test_a_learned_layout_reads_the_log_it_was_learned_from(files, name, tmp_path):
    path, _ = files[name]
    out = tmp_path / "learned.toml"
    done = CliRunner().invoke(liftlatch, ["trace", "learn", str(path), "--out", str(out)])
    assert done.exit_code == 0, done.output
    load_layout(out)
    by_layout = read_trace(path, ColumnChoice(layouts=(str(out),)))
    facts = show(path)
    if facts["read"]:
        plain = read_trace(path)
        for role, channel in plain.channels.items():
            assert np.array_equal(by_layout.channels[role].values, channel.values, equal_nan=True)
    # lying next to the trace it is found by its header
    beside = shutil.copy(path, tmp_path / path.name)
    found = show(beside)
    assert any(note.startswith(f"layout: {out}") for note in found["notes"])


def test_the_run_is_found_among_the_passes(files):
    path, _ = files["passes"]
    trace = read_trace(path)
    passes, taken, doubts, _ = look_for_passes(trace)
    kinds = [one.kind("mm") for one in passes]
    assert kinds == ["a burnout or a short move", "a run", "a drive"]
    assert taken is passes[1]
    assert doubts == []
    made = from_trace(trace, load(ROOT / "traces" / "demo.toml"))
    first = int(np.argmax(made.arrays["launch"]))
    # the run stands for 1.2 s before it launches, 17 s into the file
    assert 17 + 1.0 < made.time_s(first) < 17 + 1.4
    assert any(note.startswith("passed over (--run 1): 5.0 s, a burnout") for note in made.notes)
    # the run ends at the shutdown, with the last row of the run itself
    armed_until = made.time_s(int(np.flatnonzero(made.arrays["armed"])[-1]))
    assert armed_until == pytest.approx(17 + run()[-1].t, abs=0.6)
    burnout = from_trace(read_trace(path, ColumnChoice(run=1)), load(ROOT / "traces" / "demo.toml"))
    assert 5.0 <= burnout.time_s(int(np.argmax(burnout.arrays["launch"]))) < 5.1


def test_layouts_go_by_file_pattern(files):
    texts = tuple(f"{name}.csv={LAYOUTS / name}.toml" for name in FORMS)
    for name, (path, _) in files.items():
        assert read_trace(path, ColumnChoice(layouts=texts)).channels["height"].valid.any(), name


def test_what_the_cars_own_controller_did_is_read(files):
    rows = run()
    cut = np.array([r.reduction for r in rows])
    for name in ("reasons", "counts"):
        path, _ = files[name]
        trace = read_trace(path, ColumnChoice(layouts=(str(LAYOUTS / f"{name}.toml"),)))
        assert trace.channels["logged_reduction"].unit == "%"
        assert trace.channels["logged_reduction"].values.tolist() == cut.tolist()
    path, _ = files["reasons"]
    trace = read_trace(path, ColumnChoice(layouts=(str(LAYOUTS / "reasons.toml"),)))
    assert trace.channels["logged_retard"].values.tolist() == (cut / 5).tolist()
    assert trace.channels["logged_reason"].values.tolist() == (cut > 0).astype(float).tolist()
