"""Verify without a trace: the conformance set and generated cases on devices in memory and on a port."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as xml

import pytest

from bench.conformance.cases import Case
from bench.conformance.chosen_set import ConformanceSet, conformance_set
from bench.conformance.images import changed_images
from bench.console import make_console
from bench.device.bugs import BUGS
from bench.errors import UserError
from bench.link.protocol import Feature
from bench.link.stepper import Core
from bench.verify.compare import Options
from bench.verify.judge import Criterion
from bench.verify.made_up import Made, check_device, chosen, shrunk, wrong_images
from bench.verify.replay_case import show
from bench.verify.run import run_all
from controller import Controller
from controller.constants import IMAGE_ORDER
from tests.bench.verify.test_verify_command import device, liftlatch, refused
from tests.link_support import remote

CONSOLE = make_console(err=True)
OPTIONS = Options(window=4)


def results_of(
    made: Made, make: Callable[[], Core] = Controller, criterion: Criterion | None = None
) -> list[Any]:
    target = remote(make)[0]
    return run_all(target, OPTIONS, made.subjects(), False, criterion or Criterion(), CONSOLE)


def some(count: int) -> Made:
    of_set = conformance_set()
    return Made("some", of_set.cases[:count], (), ConformanceSet(1, "", 0, 0, of_set.cases[:count]))


@pytest.mark.slow
def test_the_reference_equals_the_set_and_every_named_bug_does_not() -> None:
    made = chosen(True, None, 0)
    assert {result.verdict for result in results_of(made)} == {"equal"}
    outputs_and_events = Criterion(digest=False)
    for name, make in BUGS.items():
        verdicts = [result.verdict for result in results_of(made, make, outputs_and_events)]
        assert "different" in verdicts, name


def test_a_device_is_equal_over_its_first_cases() -> None:
    results = results_of(some(3))
    assert [result.verdict for result in results] == ["equal"] * 3
    assert [result.tally.ticks for result in results] == [len(case.whole[0]) for case in some(3).cases]


class Refuses(Controller):
    """It takes no calibration at all."""

    __slots__ = ()

    def load(self, image: bytes) -> int:
        return IMAGE_ORDER


def test_a_wrong_verdict_on_an_image_is_told() -> None:
    case = conformance_set().cases[0]
    images = changed_images(case)
    assert wrong_images(remote()[0], images, case.image, CONSOLE) == []
    wrong = wrong_images(remote(Refuses)[0], images, case.image, CONSOLE)
    assert {one["got"] for one in wrong} == {IMAGE_ORDER}
    assert len(wrong) == sum(image.verdict != IMAGE_ORDER for image in images)


def test_a_device_that_refuses_a_sound_calibration_is_different() -> None:
    result = results_of(some(1), Refuses)[0]
    assert result.verdict == "different"
    assert result.tally.difference.fields[0].name == "verdict on the image"


def test_a_generated_difference_is_shrunk_and_its_id_shows_it(capsys: pytest.CaptureFixture[str]) -> None:
    made = chosen(False, 2, 7)
    assert [case.seed for case in made.cases] == [7, 8]
    target = remote(BUGS["peak-lost"])[0]
    results = run_all(target, OPTIONS, made.subjects(), False, Criterion(), CONSOLE)
    assert "different" in [result.verdict for result in results]
    ids = shrunk(target, made, results, OPTIONS, Criterion(), CONSOLE)
    assert len(ids) == sum(result.verdict == "different" for result in results)
    tick, _, name = ids[0].removeprefix("case:").partition(":")
    small = Case.parse(name)
    assert len(small.run[1]) < 200
    again = results_of(Made("again", (small,)), BUGS["peak-lost"])[0]
    assert again.tally.difference.tick == int(tick)
    assert results_of(Made("again", (small,)))[0].verdict == "equal"
    show(ids[0], False)
    assert f"the reference around tick {tick}" in capsys.readouterr().out


def test_a_device_with_a_calibration_of_its_own_is_given_no_case() -> None:
    target = remote()[0]
    check_device(target)
    target.greeting = replace(target.greeting, features=target.greeting.features | Feature.OWN_CALIBRATION)
    with pytest.raises(UserError, match="a calibration of its own"):
        check_device(target)


@pytest.mark.parametrize("text", ["case:", "case:x:7:300", "case:3:7", "case:900:7:300"])
def test_an_id_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(UserError):
        show(text, False)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--conformance", "--generated", "3"], "both"),
        (["--conformance", "--calibration", "a.toml"], "--calibration"),
        (["--generated", "3", "--real-time"], "--real-time"),
        ([], "nothing to run"),
    ],
)
def test_what_does_not_go_together_is_refused(words: list[str], said: str) -> None:
    assert said in refused("verify", "--port", "nowhere", *words)


@pytest.mark.slow
def test_a_device_on_a_port_against_the_set(tmp_path: Path) -> None:
    """The report says what was run and how strong it is; JUnit has a case for each, one for the images."""
    of_set = conformance_set()
    with device() as port:
        done = liftlatch(
            "verify", "--conformance", "--port", port, "--window", "8", "--out", tmp_path / "out"
        )
    assert done.returncode == 0, done.stdout + done.stderr
    assert re.search(r"\d+ changed images: equal, every verdict", done.stdout)
    facts = json.loads((tmp_path / "out" / "verify.json").read_text())
    assert facts["verdict"] == "equal"
    assert facts["made"]["version"] == of_set.version
    assert facts["made"]["sha256"] == of_set.digest
    assert facts["made"]["seconds_at_115200_baud"] < 60
    suite = xml.fromstring((tmp_path / "out" / "junit.xml").read_bytes())
    assert len(suite.findall("testcase")) == len(of_set.cases) + 1
    with device("--bug", "hold-short") as port:
        done = liftlatch(
            "verify", "--conformance", "--port", port, "--window", "8", "--outputs", "reduction,retard"
        )
    assert done.returncode == 1
    assert "instead of" in done.stdout
