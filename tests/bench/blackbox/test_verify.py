"""verify --black-box as a person runs it."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree as xml

import pytest

from bench.blackbox import judge
from bench.device.bugs import BUGS
from controller import Controller
from firmware_model import binding
from tests import ROOT
from tests.bench.test_terminal import here
from tests.blackbox_support import MORE, NEEDS_BOX, PLAIN, box_at_a_port

TRACE = ROOT / "traces" / "high_wheelstand.csv"


@NEEDS_BOX
@pytest.mark.slow
def test_the_right_controller_is_equal_and_a_wrong_one_is_told_with_a_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judge, "MORE", MORE)
    words = ("verify", "--black-box", "--calibration", PLAIN, TRACE)
    with box_at_a_port(Controller() if binding.available() else binding.Core()) as port:
        code, out, _ = here(*words, "--port", port, "--json")
    facts = json.loads(out)
    assert (code, facts["verdict"]) == (0, "equal")
    run = facts["runs"][0]
    assert run["crank_events"] > 2000
    assert run["skipped"] > 50
    for cut in run["cuts"]:
        low, high = cut["reference_lasts_ms"]
        assert low - 60 < cut["lasts_ms"] < high + 60
    folder = tmp_path / "out"
    with box_at_a_port(BUGS["peak-lost"]()) as port:
        code, out, err = here(*words, "--port", port, "--out", folder)
    assert code == 1, err
    assert "leaves what the reference may do" in out
    facts = json.loads((folder / "verify.json").read_text())
    first = facts["runs"][0]["excursions"][0]
    assert first["beyond"] > 0
    assert first["text"] in (folder / "junit.xml").read_text()
    suite = xml.parse(folder / "junit.xml").getroot()
    assert (suite.get("tests"), suite.get("failures")) == ("1", "1")
    for name in ("report.html", "1-high_wheelstand.svg"):
        text = (folder / name).read_text()
        assert "crank event" in text
    assert "An engineering aid, not a safety device" in (folder / "report.html").read_text()
    other = ("verify", "--black-box", "--calibration", PLAIN, ROOT / "traces" / "clean_launch.csv")
    code, _, err = here(*other, "--port", "x", "--out", folder)
    assert (code, "--replace" in err) == (2, True), err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--black-box", TRACE, "--calibration", PLAIN), "--port: is missing"),
        (("--black-box", TRACE, "--port", "x"), "--calibration: is missing"),
        (("--black-box", TRACE, "--calibration", PLAIN, "--port", "x", "--lag", "1:2"), "--lag: does not go"),
        (("--black-box", "--calibration", PLAIN, "--port", "x", "--within", "noise=a"), "--within: no limit"),
        (("--black-box", TRACE, "--calibration", PLAIN, "--port", "/dev/none"), "no such port"),
        (
            (TRACE, "--calibration", PLAIN, "--port", "x", "--within", "noise=2"),
            "--within: is for --black-box",
        ),
    ],
)
def test_wrong_use_is_one_line(words: tuple[str | Path, ...], said: str) -> None:
    code, _, err = here("verify", *words)
    assert code == 2
    assert said in " ".join(err.split())


@NEEDS_BOX
def test_a_trace_without_an_engine_and_the_wrong_far_end_are_told(tmp_path: Path) -> None:
    bare = tmp_path / "bare.csv"
    rows = "".join(f"{i / 100:.2f},0.13,1,0\n" for i in range(100))
    bare.write_text("time [s],height [m],armed,launch\n" + rows)
    with box_at_a_port(Controller()) as port:
        words = ("--calibration", PLAIN, "--port", port)
        code, _, err = here("verify", "--black-box", bare, *words)
        assert (code, "has no cylinder events" in " ".join(err.split())) == (2, True), err
        code, _, err = here("verify", TRACE, *words)
        assert (code, "a box is here" in " ".join(err.split())) == (2, True), err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "needs a calibration"),
        (("--calibration", PLAIN, "--plays", TRACE), "--plays: is for a device that is fed"),
        (("--calibration", PLAIN, "--core", "c", "--bug", "peak-lost"), "bugs are for the reference"),
    ],
)
@NEEDS_BOX
def test_a_device_that_runs_free_names_what_is_wrong(words: tuple[str | Path, ...], said: str) -> None:
    code, _, err = here("device", "--free-running", *words)
    assert code == 2
    assert said in " ".join(err.split())
