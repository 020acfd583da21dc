"""Sweeps: the settings tried, the figures, and the batch, against replays and a plain loop."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.calibration import CalibrationFile, compile_text, load, save
from bench.errors import UserError
from bench.replay.findings import Replay, find
from bench.replay.inputs import from_trace
from bench.replay.run import run
from bench.sweep import study as study_module
from bench.sweep.cluster import program
from bench.sweep.facts import figures
from bench.sweep.local import run_local
from bench.sweep.measure import Measures, measure
from bench.sweep.on_cluster import Plan, packed, step_there, unpacked
from bench.sweep.study import INPUTS_DEPEND_ON, Told, inputs_key, read_study, run_study
from bench.sweep.vary import Varied, find_key, read_varied
from bench.sweep.vary import settings as make_settings
from bench.trace.read import read_trace
from controller.constants import FAULT_OUT_OF_SIGHT
from tests.sweep_support import DEMO, TRACES, demo, study

FOUR = ("high_wheelstand", "second_lift", "out_of_range", "sensor_dropouts")


def values(text: str) -> tuple[Any, ...]:
    (one,) = read_varied([text], demo())
    return one.values


# --- what --vary says


def test_a_span_has_exact_values_and_its_end_where_a_step_falls_on_it() -> None:
    assert values("latch.hold_ms=0:600:20") == tuple(range(0, 601, 20))
    assert values("latch.hold_ms=0:50:20") == (0, 20, 40)
    assert values("latch.hold_ms=60:0:-20") == (60, 40, 20, 0)
    # 0.1 + 0.2 is not 0.3 in binary; these are the numbers as a person writes them
    assert values("latch.hold_s=0.1:0.5:0.1") == (0.1, 0.2, 0.3, 0.4, 0.5)
    assert values("latch.hold_ms=5:5:1") == (5,)


# --- lines


def line_settings(*texts: str) -> list[list[Any]]:
    """The lists of [ceilings] of each setting: retard from, reduction from, reduction full."""
    made = make_settings(demo(), read_varied(texts, demo()))
    lines = [tomllib.loads(one.calibration.text)["ceilings"] for one in made]
    return [
        [one[f"{key}_mm"] for key in ("retard_from", "reduction_from", "reduction_full")] for one in lines
    ]


def test_a_line_is_shifted_scaled_or_bent_in_one_point() -> None:
    (own,) = line_settings("latch.hold_ms=100")
    up, down = line_settings("ceilings.all_mm.shift=10,-5")
    assert up == [[v + 10 for v in line] for line in own]
    assert down == [[v - 5 for v in line] for line in own]
    (scaled,) = line_settings("ceilings.reduction_from_mm.scale=0.95")
    assert scaled == [own[0], pytest.approx([0.95 * v for v in own[1]]), own[2]]
    point = own[1][1] + 2
    (bent,) = line_settings(f"reduction_from_mm.2={point}")
    assert bent == [own[0], [own[1][0], point, *own[1][2:]], own[2]]
    # two changes of one line add up, in the order given
    (both,) = line_settings("ceilings.reduction_full_mm.shift=10", "ceilings.reduction_full_mm.scale=1.01")
    assert both[2] == pytest.approx([1.01 * (v + 10) for v in own[2]])
    # another unit of the key, the file's own in the file
    (inches,) = line_settings("ceilings.all_in.shift=1")
    assert inches == [pytest.approx([v + 25.4 for v in line]) for line in own]
    found = [
        one.in_file for one in read_varied(["ceilings.all_mm.shift=0,10", "reduction_from_mm.2=255"], demo())
    ]
    assert found == [0, own[1][1]]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("ceilings.reduction_from_mm.9=200", "the line has"),
        ("ceilings.all_mm.2=200", "a point of several lines"),
        ("ceilings.all_kmh.shift=2", "names no length"),
        ("latch.hold_ms.shift=10", "has no line latch.hold_ms"),
    ],
)
def test_what_is_no_line_is_said_in_one_line(text: str, says: str) -> None:
    with pytest.raises(UserError, match=says) as caught:
        read_varied([text], demo())
    assert "\n" not in str(caught.value)


@given(st.integers(-1000, 1000), st.integers(1, 400), st.integers(0, 60), st.integers(0, 3), st.booleans())
@settings(max_examples=60)
def test_any_span_counts_as_fractions_do(low: int, step: int, n: int, digits: int, down: bool) -> None:
    scale = 10**digits
    ends = [Fraction(low, scale), Fraction(low + n * step, scale)]
    signed = Fraction(-step if down else step, scale)
    start, stop = reversed(ends) if down else ends
    shown = [f"{float(x):.{digits}f}" for x in (start, stop, signed)]
    expected = tuple(float(start + i * signed) for i in range(n + 1))
    assert tuple(map(float, values(f"latch.hold_ms={':'.join(shown)}"))) == expected


def test_values_may_be_numbers_words_or_switches() -> None:
    assert values("latch.hold_ms=0,100,250.5") == (0, 100, 250.5)
    assert values("latch.hold_from=peak, landing") == ("peak", "landing")
    assert values("latch.retard.follows_map=true,false") == (True, False)
    assert values('latch.hold_from="landing"') == ("landing",)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("latch.hold_ms", "--vary 'latch.hold_ms' is not KEY=from:to:step or KEY=value,value"),
        ("=1", "is not KEY=from:to:step"),
        ("latch.hold_ms=", "is not KEY=from:to:step"),
        ("latch.hold_ms=0:600", "--vary latch.hold_ms: '0:600' is not from:to:step; three numbers, 0:600:20"),
        ("latch.hold_ms=0:many:1", "'0:many:1' is not from:to:step"),
        ("latch.hold_ms=0:600:0", "'0:600:0' never arrives; a step that leads from the first"),
        ("latch.hold_ms=600:0:20", "never arrives"),
        ("latch.hold_ms=0:9:0.0001", "makes 90001 values; at most 20000"),
        ("latch.hold_ms=1,,2", "has an empty value"),
        ("latch.hold_ms=1,2,1", "has the value 1 twice"),
        ("latch.hold_ms=1,1.0", "has the value 1 twice"),
        ("reduction_percent=1", "may be engine_ceiling.reduction_percent or limits.reduction_percent; give"),
        (
            "release_deg_per_s=1",
            "may be latch.retard.release_deg_per_s or fault.release_deg_per_s"
            " or engine_ceiling.release_deg_per_s; give the whole key",
        ),
        ("hold_from_mm=1", "is no key of"),
        ("riseing_ms=1", "--vary riseing_ms is no key of"),
        ("riseing_ms=1", "the nearest are sensor.return_ms, look_ahead.rising_ms"),
        ("zzz=1", "a key with its section, such as latch.hold_ms"),
    ],
)
def test_a_wrong_option_is_one_clear_line(text: str, line: str) -> None:
    with pytest.raises(UserError) as caught:
        read_varied([text], demo())
    assert line in str(caught.value)
    assert "\n" not in str(caught.value)


def test_too_many_settings_and_a_key_twice_are_refused() -> None:
    with pytest.raises(UserError, match="makes 40401 settings; at most 20000"):
        read_varied(["latch.hold_ms=0:200:1", "rising_ms=0:200:1"], demo())
    with pytest.raises(UserError, match=r"--vary look_ahead.rising_ms is there twice"):
        read_varied(["rising_ms=1", "look_ahead.rising_ms=2"], demo())


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("latch.hold_ms", "latch.hold_ms"),
        ("hold_ms", "latch.hold_ms"),  # not the fault's: the latch's keys are the ones that are tried
        ("release", "latch.release"),
        ("fault.hold_ms", "fault.hold_ms"),
        ("rising_ms", "look_ahead.rising_ms"),
        ("rising_s", "look_ahead.rising_s"),  # another unit of the kind
        ("ahead.rising_ms", None),  # a section is given whole
        ("retard.trigger_deg", "latch.retard.trigger_deg"),
        ("blind_reduction_percent", "fault.blind_reduction_percent"),
        ("look_ahead.time_constant_ms", "look_ahead.time_constant_ms"),  # not in the file, a default
        ("latch.release_percent_per_s", "latch.release_percent_per_s"),  # the file says "step"
        ("latch.trigger_in", "latch.trigger_in"),  # the calibration itself says what is wrong with it
    ],
)
def test_a_key_is_found_by_its_end(name: str, key: str | None) -> None:
    assert find_key(name, demo()) == (key or name)


def test_the_value_in_the_file_is_known_in_the_unit_of_the_key() -> None:
    calibration = demo()

    def there(text: str) -> Any:
        return read_varied([text], calibration)[0].in_file

    assert there("latch.hold_ms=1") == 300
    assert there("latch.hold_s=1") == 0.3
    assert there("latch.hold_from=peak") == "peak"
    assert there("latch.release_percent_per_s=100") == "step"
    assert there("latch.retard.follows_map=true") is False
    assert there("look_ahead.time_constant_ms=1") is None


# --- from values to calibrations


def test_settings_are_those_of_a_file_written_so() -> None:
    calibration = demo()
    varied = read_varied(["latch.hold_s=0.1,0.25", "latch.hold_from=landing,peak"], calibration)
    made = make_settings(calibration, varied)
    assert [one.values for one in made] == [
        (0.1, "landing"), (0.1, "peak"), (0.25, "landing"), (0.25, "peak"),
    ]  # fmt: skip
    for one in made:
        ms, where = round(one.values[0] * 1000), one.values[1]  # type: ignore[operator]
        assert one.calibration.number("hold_ticks") == ms
        text = DEMO.read_text()
        text = text.replace("hold_ms = 300 ", f"hold_ms = {ms} ").replace('"peak" ', f'"{where}" ')
        assert one.calibration.image == compile_text(text, "by hand").image


def test_a_rate_and_a_step_of_the_release_take_one_anothers_place() -> None:
    calibration = demo()
    varied = read_varied(["latch.release_percent_per_s=step,200,400"], calibration)
    made = make_settings(calibration, varied)
    rates = [one.calibration.number("release_q16") for one in made]
    # 200 % a second is 2 units of 0.1 % in a tick of 1 ms
    assert rates == [0, 2 * 65536, 4 * 65536]
    back = compile_text(save(calibration, {"latch.release": None, "latch.release_percent_per_s": 50}), DEMO)
    varied = read_varied(["latch.release_percent_per_s=100,step", "rising_ms=0,50"], back)
    rates = [one.calibration.number("release_q16") for one in make_settings(back, varied)]
    assert rates == [65536, 65536, 0, 0]


def test_a_mistake_is_told_as_for_a_file_with_its_setting() -> None:
    calibration = demo()
    line = 1 + DEMO.read_text().split("[fault]")[0].count("\n") + 1  # fault.hold_ms is the first key there
    varied = read_varied(["latch.hold_ms=2000:4000:500"], calibration)
    with pytest.raises(UserError) as caught:
        make_settings(calibration, varied)
    assert str(caught.value) == (
        f"{DEMO}:{line}: fault.hold_ms: 3000 ms is shorter than latch.hold_ms (with latch.hold_ms = 3500);"
        " at least 3500 ms, better longer than any time in the air"
    )
    with pytest.raises(UserError, match=r"latch.trigger_in: is a .*\(with latch.trigger_in = 1\)"):
        make_settings(calibration, read_varied(["latch.trigger_in=1"], calibration))
    with pytest.raises(UserError, match="unknown section"):
        make_settings(calibration, read_varied(["lach.hold_ms=1"], calibration))
    with pytest.raises(UserError, match="is not known"):
        make_settings(calibration, read_varied(["latch.hold_from=peek"], calibration))


# --- the figures


def plainly(ticks: dict[str, Any]) -> Measures:
    """The same figures by a plain loop over the ticks."""
    launches = run_ticks = peak = taken = first = second = out = changes = of_run = 0
    names = ("reduction", "retard", "faults", "launched")
    rows = list(zip(*(ticks[name].tolist() for name in names), strict=True))
    before = (0, 0, 0, 0)
    for row in rows:
        reduction, retard, faults, launched = row
        if launched and not before[3]:
            launches += 1
            of_run = 0
        begins = (reduction or retard) and not (before[0] or before[1])
        if launched:
            run_ticks += 1
            peak = max(peak, reduction)
            taken += reduction
            if begins:
                first += 1
                second += of_run > 0
                of_run += 1
        out += bool(faults & FAULT_OUT_OF_SIGHT)
        before = row
    changes = sum(a[0] != b[0] for a, b in pairwise(rows))
    return Measures(launches, run_ticks, peak, taken, first, second, out, changes)


@given(st.data())
@settings(max_examples=80)
def test_figures_are_those_of_a_plain_loop(data: st.DataObject) -> None:
    n = data.draw(st.integers(1, 40))

    def column(elements: st.SearchStrategy[int]) -> Any:
        return np.array(data.draw(st.lists(elements, min_size=n, max_size=n)), dtype=np.uint16)

    ticks = {
        "reduction": column(st.sampled_from([0, 0, 1, 500, 1000])),
        "retard": column(st.sampled_from([0, 0, 0, 7])),
        "faults": column(st.sampled_from([0, FAULT_OUT_OF_SIGHT, 0xFFFF])),
        "launched": column(st.sampled_from([0, 1, 1])),
    }
    assert measure(ticks) == plainly(ticks)


@pytest.mark.slow
def test_figures_are_those_of_single_replays() -> None:
    made = study("latch.hold_ms=0,300", "latch.release_percent_per_s=step,150", traces=FOUR)
    results = run_study(made, "c")
    seconds = 0
    for setting, row in zip(made.settings, results, strict=True):
        for recording, measures in zip(made.recordings, row, strict=True):
            calibration = setting.calibration
            inputs = from_trace(read_trace(recording.path), calibration)
            done = run("c", calibration.image, inputs.arrays)
            found = find(Replay(inputs, done, calibration))
            inside = [item.launch for item in found.interventions if item.launch is not None]
            seconds += measures.second_interventions
            assert figures([measures], calibration.tick_us) == {
                "launches": len(found.launches),
                "run_s": found.torque["run_s"],
                "peak_reduction_permille": max(one.greatest_reduction_permille for one in found.launches),
                "full_cut_s": found.torque["full_cut_s"],
                "share_taken": found.torque["share_taken"],
                "interventions": len(inside),
                "second_interventions": len(inside) - len(set(inside)),
                "out_of_sight_s": found.out_of_sight_s,
                "command_changes": found.command_changes,
            }
    assert seconds > 0  # or this would not have tried them


def test_over_all_adds_up() -> None:
    one = Measures(1, 1000, 600, 100_000, 2, 1, 30, 12)
    other = Measures(2, 3000, 450, 20_000, 2, 0, 0, 4)
    assert figures([one, other], 500) == {
        "launches": 3,
        "run_s": 2.0,
        "peak_reduction_permille": 600,
        "full_cut_s": 0.06,
        "share_taken": 0.03,
        "interventions": 4,
        "second_interventions": 1,
        "out_of_sight_s": 0.015,
        "command_changes": 16,
    }
    nothing = Measures(0, 0, 0, 0, 0, 0, 0, 0)
    assert figures([nothing], 1000)["share_taken"] is None


# --- the batch


def test_inputs_are_made_once_where_the_varied_key_leaves_them_as_they_are(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made: list[int] = []

    def counting(*args: Any) -> Any:
        made.append(1)
        return from_trace(*args)

    monkeypatch.setattr(study_module, "from_trace", counting)
    jobs = list(study("latch.hold_ms=0,100,200", traces=FOUR[:2]).jobs())
    assert (len(jobs), len(made)) == (6, 2)
    assert len({id(job.arrays["counts"]) for job in jobs}) == 2
    made.clear()
    jobs = list(study("rest_height_mm=120,130", "latch.hold_ms=0,100", traces=FOUR[:2]).jobs())
    assert (len(jobs), len(made)) == (8, 4)
    assert [job.inputs for job in jobs] == [0, 0, 1, 1, 2, 2, 3, 3]


@pytest.mark.parametrize(
    "varied",
    [
        ("tick_ms=0.5,1",),
        ("rest_height_mm=120,140",),
        ("heal_ms=20,700",),
        ("sensor.period_ms=1,4", "near_end_mm=70"),
        ("axle_gain=0.8,1",),
    ],
)
def test_inputs_are_made_anew_where_it_does_not(varied: tuple[str, ...]) -> None:
    made = study(*varied)
    for setting, row in zip(made.settings, run_study(made, "c"), strict=True):
        calibration = setting.calibration
        inputs = from_trace(read_trace(made.recordings[0].path), calibration)
        ticks = run("c", calibration.image, inputs.arrays).ticks
        assert row == [measure(ticks)]


class Watched:
    """A calibration that remembers which of its values were asked for."""

    def __init__(self, calibration: CalibrationFile, asked: set[str]) -> None:
        self._calibration = calibration
        self._asked = asked

    def __getattr__(self, name: str) -> Any:
        what = getattr(CalibrationFile, name, None)
        if isinstance(what, property):
            return what.fget(self)  # type: ignore[misc]
        if callable(what):
            if name in ("number", "row"):
                return lambda field: (self._asked.add(field), what(self._calibration, field))[1]
            return what.__get__(self)
        if name in ("values", "image", "crc", "shown"):
            raise AssertionError(f"{name} is read past number() and row()")
        return getattr(self._calibration, name)


@pytest.mark.slow
def test_inputs_read_nothing_but_what_is_said() -> None:
    asked: set[str] = set()
    for file in ("demo.toml", "plain.toml", "demo_front_wheel.toml"):
        for trace in sorted(TRACES.glob("*.csv")):
            from_trace(read_trace(trace), Watched(load(TRACES / file), asked))  # type: ignore[arg-type]
    assert asked - set(INPUTS_DEPEND_ON) == set()
    assert len(asked) > 5


def test_threads_and_processes_and_engines_give_the_same() -> None:
    made = study("latch.hold_ms=0,300", traces=("high_wheelstand",))
    by_core = run_study(made, "c")
    assert run_study(made, "reference") == by_core
    alone = {job.setting: result for job, result in run_local(made.jobs(), "c", workers=1)}
    assert [[alone[0]], [alone[1]]] == by_core


def test_jobs_are_taken_as_they_are_needed() -> None:
    made = study("latch.hold_ms=0:400:20")
    taken: list[int] = []

    def jobs() -> Any:
        for job in made.jobs():
            taken.append(job.setting)
            yield job

    results = run_local(jobs(), "c", workers=2)
    next(results)
    results.close()
    assert len(taken) <= 8 < 21


def test_a_wrong_trace_stops_it_before_anything_is_stepped(tmp_path: Any) -> None:
    made = make_settings(demo(), [Varied("latch.hold_ms", (1,), 300)])
    bad = tmp_path / "bad.csv"
    bad.write_text("nothing\n")
    with pytest.raises(UserError, match=r"bad\.csv"):
        read_study([TRACES / "clean_launch.csv", bad], made)
    with pytest.raises(UserError, match=r"clean_launch.csv: is there twice; give each trace once"):
        read_study([TRACES / "clean_launch.csv"] * 2, made)


# --- what goes to a cluster


def test_packed_inputs_come_back_as_they_were() -> None:
    arrays = {
        "ramp": np.arange(5000, dtype=np.uint16),
        "still": np.full(5000, 7, dtype=np.uint8),
        "one": np.array([3], dtype=np.uint16),
        "none": np.array([], dtype=np.uint16),
    }
    small = packed(arrays)
    assert sum(len(content) for _, _, content in small.values()) < 10_100
    back = unpacked(small)
    for name, column in arrays.items():
        assert back[name].dtype == column.dtype
        np.testing.assert_array_equal(back[name], column)


def for_a_worker(*texts: str) -> tuple[Plan, Any, list[Any]]:
    """What a worker gets of these keys: the plan, the key of their inputs, and the inputs of one trace."""
    base = demo()
    jobs = list(study("latch.hold_ms=1").jobs())
    plan = Plan(program(), "c", base.text, base.path, tuple(read_varied(texts, base)))
    return plan, inputs_key(base), [packed(jobs[0].arrays)]


def test_a_worker_compiles_and_steps_as_this_machine_does() -> None:
    texts = ("latch.hold_ms=100,300", "latch.release_percent_per_s=step,150")
    plan, key, inputs = for_a_worker(*texts)
    here = study(*texts, traces=("high_wheelstand",))
    wanted = [setting.values for setting in here.settings]
    # In parts and from the end, since a worker gets them as they come.
    there = [step_there(plan, key, [values], inputs) for values in reversed(wanted)]
    told = [(Told.of(one), row) for one, row in zip(here.settings, run_study(here, "c"), strict=True)]
    assert [one[0] for one in reversed(there) if one] == told


def test_a_worker_tells_of_settings_that_are_wrong_or_read_other_inputs() -> None:
    plan, key, inputs = for_a_worker("latch.hold_ms=100,-1")
    assert step_there(plan, key, [(100,)], inputs)
    assert step_there(plan, key, [(100,), (-1,)], inputs) is None
    plan, _, inputs = for_a_worker("rest_height_mm=125,130")
    assert step_there(plan, key, [(125,)], inputs) is None


def test_a_worker_with_another_program_refuses() -> None:
    plan, key, inputs = for_a_worker("latch.hold_ms=100")
    with pytest.raises(UserError, match=r"it runs Liftlatch .* not 9\.9 abc"):
        step_there(replace(plan, program="9.9 abc"), key, [(100,)], inputs)
