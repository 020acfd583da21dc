"""What comes to the desk and goes from it: only from its own pages, within limits, and the same as commands
give."""

from __future__ import annotations

import http.client
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from bench.cli import liftlatch
from bench.desk import transfer
from bench.desk.session import Session
from tests.bench.start.test_start import ANSWERS
from tests.desk_support import TOKEN, TRACES, Page, Served, copy_of_demo, recorded, served

LOG = (TRACES / "second_lift.csv").read_bytes()


@pytest.fixture(autouse=True)
def _own_state(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Served]:
    with served(Session(copy_of_demo(tmp_path, "mine.toml")), recorded()) as made:
        yield made


def send(
    desk: Served, content: bytes, path: str = f"/{TOKEN}/log?name=my.csv", **headers: str
) -> tuple[int, Any]:
    connection = http.client.HTTPConnection("127.0.0.1", desk.port, timeout=20)
    try:
        connection.request("POST", path, content, headers)
        answer = connection.getresponse()
        body = answer.read()
        return answer.status, json.loads(body) if body.startswith(b"{") else body
    finally:
        connection.close()


def test_a_log_is_taken_from_our_own_pages_only(desk: Served) -> None:
    for headers in (
        {},
        {"Origin": "null"},
        {"Origin": "http://evil.example"},
        {"Origin": "http://127.0.0.1:1"},
    ):
        assert send(desk, LOG, **headers)[0] == 403
    assert send(desk, LOG, "/wrong/log?name=my.csv", Origin=desk.origin)[0] == 404
    assert desk.get(f"/{TOKEN}/log")[0] == 404  # it only takes
    with desk.live() as connection:
        assert Page(connection).logs["logs"] == []
    status, said = send(desk, LOG, Origin=desk.origin)
    assert (status, said["fine"], said["read"]) == (200, True, True)
    with desk.live() as connection:
        assert [one["name"] for one in Page(connection).logs["logs"]] == ["my.csv"]


def test_what_is_too_large_or_no_log_is_said_and_the_work_goes_on(
    desk: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(transfer, "LARGEST_LOG", 5 << 20)
    with desk.live() as connection:
        page = Page(connection)
        page.ask("set", values={"hold": 123})
        for content, why in ((bytes(6 << 20), "larger than 5 MiB"), (b"", "is empty"), (b"\x00" * 99, "")):
            status, said = send(desk, content, Origin=desk.origin)
            assert (status, said["fine"]) == (200, False)
            assert why in said["text"]
            assert said["text"].startswith("my.csv")
            assert "\n" not in said["text"]
        assert page.ask("undo")["values"]["hold"] == 300
        assert page.ask("redo")["values"]["hold"] == 123
        assert page.state["trace"]["name"] == "clean_launch.csv"


def test_a_log_becomes_the_run_that_is_shown(desk: Served, tmp_path: Path) -> None:
    number = send(desk, LOG, Origin=desk.origin)[1]["log"]
    with desk.live() as connection:
        page = Page(connection)
        before = page.figures(page.state)
        page.ask("log use", log=number, run=1)
        assert page.state["trace"]["name"] == "my.csv"
        assert page.figures(page.state) != before
        said = page.refused("log use", log=number, run=9)
        assert "no such pass" in said["text"]
        assert page.refused("log use", log=99)["about"] == "log use"
        page.ask("set", values={"hold": 222})
        assert page.state["trace"]["name"] == "my.csv"


def test_the_report_is_that_of_replay_and_the_device_file_that_of_compile(
    desk: Served, tmp_path: Path
) -> None:
    run, file = TRACES / "clean_launch.csv", desk.session.source
    assert (
        CliRunner()
        .invoke(liftlatch, ["replay", str(run), "--calibration", str(file), "--out", str(tmp_path / "out")])
        .exit_code
        == 0
    )
    status, headers, body = desk.get(f"/{TOKEN}/report.html")
    assert status == 200
    assert "report.html" in headers["content-disposition"]
    assert body == (tmp_path / "out" / "report.html").read_bytes()
    image = tmp_path / "car.image"
    assert (
        CliRunner().invoke(liftlatch, ["calibration", "compile", str(file), "--out", str(image)]).exit_code
        == 0
    )
    status, headers, body = desk.get(f"/{TOKEN}/image")
    assert (status, body) == (200, image.read_bytes())
    assert "mine.image" in headers["content-disposition"]
    with desk.live() as connection:
        page = Page(connection)
        page.ask("set", values={"hold": 123})
        status, _, body = desk.get(f"/{TOKEN}/image")
        assert (status, "save it first" in json.loads(body)["text"]) == (400, True)
        assert b"not saved" in desk.get(f"/{TOKEN}/report.html")[2]
        page.ask("save")
        assert desk.get(f"/{TOKEN}/image")[2] != image.read_bytes()


def test_a_calibration_is_begun_as_start_does_and_the_work_before_is_kept(
    desk: Served, tmp_path: Path
) -> None:
    options = [word for name, text in ANSWERS.items() for word in (f"--{name.replace('_', '-')}", text)]
    assert CliRunner().invoke(liftlatch, ["start", str(tmp_path / "other"), *options]).exit_code == 0
    with desk.live() as connection:
        page = Page(connection)
        page.ask("set", values={"hold": 123})
        for answers, why in ((None, "no answers"), ({**ANSWERS, "mass": ""}, "weigh"),
                             ({**ANSWERS, "mass": "heavy"}, "is not a number")):  # fmt: skip
            assert why in page.refused("begin", answers=answers)["text"]
        assert not (tmp_path / "calibration.toml").exists()
        page.ask("begin", answers=ANSWERS)
        assert page.state["file"]["name"] == "calibration.toml"
        assert not page.state["undo"]
        assert len(page.state["guesses"]) > 3
        for name in ("calibration.toml", "car.toml"):
            assert (tmp_path / name).read_bytes() == (tmp_path / "other" / name).read_bytes()
        assert "is there already" in page.refused("begin", answers=ANSWERS)["text"]
    # the work on the first file is there again
    again = Session(tmp_path / "mine.toml")
    assert again.values["hold"] == 123
    again.close()
