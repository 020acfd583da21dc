"""The stand test: right devices pass, wrong ones fail the step that is about what is wrong with them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as xml

import pytest
from click.testing import CliRunner

from bench.calibration import CalibrationFile, load
from bench.calibration.compile import compile_text
from bench.calibration.rewrite import Rewriter
from bench.cli import liftlatch
from bench.device.behaviour import Behaviour, Player
from bench.device.bugs import BUGS
from bench.device.simulated import Device
from bench.errors import UserError
from bench.link.host import Host
from bench.link.line import LinkError
from bench.link.memory import MemoryLine
from bench.link.protocol import Streamed
from bench.link.stepper import Core
from bench.link.target import LocalTarget
from bench.stand import run as running
from bench.stand.nose import Nose
from bench.stand.steps import STEPS, Step
from bench.start.files import calibration_text
from bench.start.placing import place
from controller import Controller
from firmware_model import binding
from tests.bench.start.test_start import ANSWERS
from tests.bench.verify.test_verify_command import device
from tests.bench.verify.test_verify_command import liftlatch as process
from tests.vehicle_support import CALIBRATION_PATH

PLAIN = load(CALIBRATION_PATH)
DEMO = load(CALIBRATION_PATH.with_name("demo.toml"))
FAST: Callable[[], Core] = Controller if binding.available() else binding.Core
ALL = [step.name for step in STEPS]


def tried(
    make: Callable[[], Core], calibration: CalibrationFile, image: bytes | None = None, *, only: str = ""
) -> Any:
    """The results of a controller that was loaded with the calibration, or with another image; of one step
    only where it is named."""
    steps = [step for step in STEPS if only in ("", step.name)]
    target = LocalTarget(make())
    assert target.load(image or calibration.image) == 0
    return running.run_scripted(target, calibration, steps=steps)


def failed(results: Any) -> list[str]:
    return [result.step.name for result in results if not result.passed]


def wrong(results: Any) -> list[str]:
    return [
        f"{result.step.name}: {one.what}: {one.seen} instead of {one.right}"
        for result in results for one in result.findings if not one.passed
    ]  # fmt: skip


def changed(**changes: Any) -> CalibrationFile:
    """The plain calibration with keys set: section__key = value."""
    keys = {name.replace("__", "."): value for name, value in changes.items()}
    return compile_text(Rewriter(PLAIN.text).set(keys), PLAIN.path)


STARTED = compile_text(calibration_text(place(ANSWERS)), Path("started.toml"))


@pytest.mark.parametrize("calibration", [PLAIN, DEMO, STARTED], ids=["plain", "demo", "started"])
def test_a_right_controller_passes(calibration: CalibrationFile) -> None:
    results = tried(FAST, calibration)
    assert wrong(results) == []
    assert [result.step.name for result in results] == ALL


@pytest.mark.parametrize(
    "changes",
    [
        {"latch__hold_from": "landing"},
        {"latch__hold_ms": 0},
        {"latch__release": None, "latch__release_percent_per_s": 200},
        {"sensor__period_ms": 5, "sensor__near_end_mm": 110, "tick__tick_ms": 1},
        {"fault__blind_reduction_percent": 0},
        {"latch__retard__follows_map": True},
    ],
    ids=lambda changes: ",".join(changes),  # noqa: PLW0108 - pytest wants a function of its own
)
@pytest.mark.slow
def test_a_right_controller_passes_however_it_is_calibrated(changes: dict[str, Any]) -> None:
    assert wrong(tried(FAST, changed(**changes))) == []


@pytest.mark.parametrize(
    ("bug", "steps"),
    [
        ("hold-short", ["hold"]),
        # it never lets go, so that no release is seen either
        pytest.param("peak-lost", ["hold", "release"], marks=pytest.mark.slow),
        pytest.param("release-low", ["release"], marks=pytest.mark.slow),
        ("tick-wrap", ["ticks"]),
        pytest.param("table-edge", ["lift"], marks=pytest.mark.slow),
    ],
)
@pytest.mark.parametrize(
    "calibration", [DEMO, pytest.param(PLAIN, marks=pytest.mark.slow)], ids=["demo", "plain"]
)
def test_a_named_bug_fails_its_step(bug: str, steps: list[str], calibration: CalibrationFile) -> None:
    assert failed(tried(BUGS[bug], calibration)) == steps


def test_every_named_bug_is_tried_here() -> None:
    assert set(BUGS) == {"hold-short", "peak-lost", "release-low", "tick-wrap", "table-edge"}


@pytest.mark.parametrize(
    ("changes", "step"),
    [
        ({"latch__hold_ms": 301}, "hold"),
        ({"latch__hold_from": "landing"}, "hold"),
        ({"latch__release": None, "latch__release_percent_per_s": 200}, "release"),
        ({"arming__disarm_ms": 101}, "arming"),
        ({"sensor__rest_height_mm": 131}, "rest"),
        ({"sensor__curve_height_mm": [0, 495]}, "rest"),
        ({"sensor__confirm_ms": 60}, "unplugged"),
        ({"fault__blind_reduction_percent": 21}, "unplugged"),
        ({"fault__hold_ms": 2900}, "unplugged"),
        ({"ceilings__greatest_reduction_percent": 61}, "lift"),
        ({"latch__trigger_percent": 4}, "lift"),
        ({"ceilings__greatest_retard_deg": 13}, "lift"),
        ({"sensor__window_counts": [0, 4055]}, "unplugged"),
    ],
    ids=lambda one: ",".join(one) if isinstance(one, dict) else one,
)
def test_a_device_with_other_settings_fails_their_step(changes: dict[str, Any], step: str) -> None:
    """What acts in it is not what the file says: the test is of the device, and not of the file."""
    assert failed(tried(FAST, PLAIN, changed(**changes).image, only=step)) == [step]


class Starves(Controller):
    """Skips one cylinder only, as often as all together should be skipped."""

    __slots__ = ()

    def event(self, cylinder: int) -> int:
        bits = super().event(cylinder)
        return 0 if cylinder != 3 else bits


class Deaf(Controller):
    """Takes no notice of a sensor that is gone."""

    __slots__ = ()

    def step(self, tick: int, counts: int, *inputs: int) -> None:
        super().step(tick, counts if 40 <= counts <= 4055 else 1065, *inputs)


class Forgetful(Controller):
    """Gives torque back as soon as it is disarmed, and takes it again."""

    __slots__ = ()

    def _end_run(self) -> None:
        super()._end_run()
        self.reduction.reset()
        self.reduction.step(500)


@pytest.mark.parametrize(("make", "step"), [(Starves, "events"), (Deaf, "unplugged"), (Forgetful, "disarm")])
def test_other_wrong_devices_fail_their_step(make: Callable[[], Controller], step: str) -> None:
    assert failed(tried(make, PLAIN, only=step)) == [step]


def test_a_hold_of_300_ms_is_300_ticks() -> None:
    """The plain calibration says hold_ms = 300 at a tick of 1 ms."""
    (hold,) = tried(FAST, PLAIN, only="hold")
    assert "300 ticks (300 ms)" in [one.seen for one in hold.findings]


def test_each_script_ends_disarmed_and_at_rest() -> None:
    for step in STEPS:
        if step.script is not None:
            nose = Nose(PLAIN)
            step.script(nose)
            records = nose.records()
            assert not records["switches"][-1] & 6
            assert abs(PLAIN.counts_to_height(records["counts"][-200:]) - nose.rest).max() < 2


def test_ceilings_beyond_the_sensor_are_refused() -> None:
    high = changed(ceilings__reduction_from_mm=[400, 380, 360, 330], ceilings__reduction_full_mm=[450] * 4)
    with pytest.raises(UserError, match="nothing is cut below"):
        tried(FAST, high)


# -- watched, by hand


def watched(calibration: CalibrationFile, image: bytes, lost: bool = False, short: bool = False) -> Any:
    """A device that runs by itself on what the scripts say, as if a person did it, and streams."""
    import numpy as np

    scripts = []
    for number, step in enumerate(STEPS):
        nose = Nose(calibration, seed=number + 1)
        if step.script is not None and step.name != "events":
            step.script(nose)
            scripts.append(nose.records())
    ends = np.cumsum([len(one) for one in scripts])
    player = Player(FAST(), image, scripts[0] if short else np.concatenate(scripts))
    line = MemoryLine(Behaviour(Device(FAST, image=image), player=player))
    host = Host(line, 7)
    have, at = 0, 0

    def done(step: Step, got: Streamed | None) -> bool:
        nonlocal have, at
        if got is not None:
            have += len(got.inputs)
            if lost and have > 3000:
                host.listen(0.1)  # one that nobody sees
        if have + 40 >= ends[at]:
            at += 1
            return True
        return False

    return running.run_watched(host, calibration, done)


@pytest.mark.slow
def test_a_device_that_streams_is_watched() -> None:
    results = watched(PLAIN, PLAIN.image)
    assert wrong(results) == []
    assert [result.step.name for result in results] == [name for name in ALL if name != "events"]


def test_a_device_with_another_calibration_is_not_watched() -> None:
    with pytest.raises(LinkError, match=r"the device runs image .* load it"):
        watched(PLAIN, DEMO.image)


def test_lost_messages_are_said() -> None:
    with pytest.raises(LinkError, match="messages of the stream were lost; a faster line"):
        watched(PLAIN, PLAIN.image, lost=True)


def test_a_device_that_falls_silent_is_said() -> None:
    with pytest.raises(LinkError, match="has streamed nothing for 5 s"):
        watched(PLAIN, PLAIN.image, short=True)


# -- the command


@pytest.mark.slow
def test_the_sheet_of_a_wrong_device(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with device("--bug", "hold-short") as port:
        words = ("--check", "--scripted", "--port", port, "--calibration", CALIBRATION_PATH)
        done = process("stand", *words, "--json", "--out", out)
    assert done.returncode == 1, done.stderr
    facts = json.loads(done.stdout)
    assert facts == json.loads((out / "stand.json").read_text(encoding="utf-8"))
    assert (facts["verdict"], facts["failed"]) == ("failed", ["hold"])
    suite = xml.parse(out / "junit.xml").getroot()
    assert (suite.get("name"), suite.get("tests"), suite.get("failures")) == ("liftlatch stand", "10", "1")
    (bad,) = (case for case in suite if case.find("failure") is not None)
    assert bad.get("name") == "hold"
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "299 ticks (299 ms)" in page
    assert "not a safety device" in page
    assert "<svg" in (out / "stand.svg").read_text(encoding="utf-8")
    assert "Engine off" in " ".join(done.stderr.split())


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (["--check"], "--port, --emulated: needs one of the two"),
        (["--scripted"], "--scripted: is for --check"),
        (["--port", "x", "--out", "page.html"], "--port: is for the live stand and --check"),
    ],
)
def test_wrong_words_are_one_line(words: list[str], what: str) -> None:
    done = CliRunner().invoke(liftlatch, ["stand", *words])
    assert isinstance(done.exception, UserError)
    assert what in str(done.exception)
