"""`liftlatch book`: what a person meets."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bench.cli import liftlatch
from bench.errors import UserError
from tests import ROOT

TRACES = ROOT / "traces"


@pytest.fixture
def car(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    here = tmp_path / "car"
    here.mkdir()
    for name in ("demo.toml", "plain.toml", "demo_car.toml", "clean_launch.csv", "high_wheelstand.csv"):
        shutil.copy(TRACES / name, here)
    (here / "liftlatch.toml").write_text('calibration = "demo.toml"\nvehicle = "demo_car.toml"\n')
    monkeypatch.chdir(here)
    return here


def run(*words: object) -> Result:
    done = CliRunner().invoke(liftlatch, [str(word) for word in words])
    if done.exception and not isinstance(done.exception, SystemExit | UserError):
        raise done.exception
    return done


def facts(*words: object) -> dict[str, object]:
    found = json.loads(run("book", *words, "--json").stdout)
    assert isinstance(found, dict)
    return found


def test_a_day_in_the_book(car: Path) -> None:
    told = ("--slip", "60=1.021", "--slip", "660=4.912@241km/h", "--temperature", "24", "--pressure", "1002")
    assert run("book", "add", "clean_launch.csv", *told, "--lane", "left").exit_code == 0
    run("book", "add", "high_wheelstand.csv", "--calibration", "plain.toml", "--changed", "wheelie bar lower")
    run("book", "set", "2", "--note", "tyre shake", "--slip", "660=4.80")
    found = facts("show")
    first, second = found["runs"]  # type: ignore[misc]
    # the demo runs as README and traces/README.md tell them
    assert (round(first["peak_lift_mm"]), first["flights"], first["torque_time_s"]) == (177, 3, 0.086)
    assert first["time_60_ft_s"] == 1.021
    assert second["calibration_changed"]
    assert first["settings_changed"] is None
    assert {"key": "latch.hold_ms", "from": "40 ms", "to": "300 ms"} in second["settings_changed"]
    assert (second["note"], second["changed"]) == ("tyre shake", "wheelie bar lower")
    assert found["best"] == {"run": 2, "feet": 660, "time_s": 4.8}
    assert (car / "book" / "0001" / "calibration.toml").read_text() == (car / "demo.toml").read_text()
    assert (car / "book" / "0001" / "car.toml").read_text() == (car / "demo_car.toml").read_text()
    shown = run("book", "show", 2).stdout
    assert "tyre shake" in shown
    assert run("book", "page").exit_code == 0
    page = (car / "book" / "book.html").read_text()
    assert 'href="0001/report.html"' in page
    assert "wheelie bar lower" in page
    assert "latch.hold_ms" in page
    assert run("book", "page", "--out", car / "page.html").exit_code == 0
    assert 'href="book/0001/report.html"' in (car / "page.html").read_text()
    laid = run("book", "diff", 1, 2).stdout
    assert "latch.hold_ms" in laid
    assert "4.912 s at 241.0 km/h" in laid


def test_what_goes_wrong_is_one_line(car: Path) -> None:
    assert "there is no run 1" in str(run("book", "show", 1).exception)
    run("book", "add", "clean_launch.csv")
    assert "is in the book already, as run 1" in str(run("book", "add", "clean_launch.csv").exception)
    assert "unless you mean it" in str(run("book", "remove", 1).exception)
    assert "run 1 twice" in str(run("book", "diff", 1, 1).exception)
    assert run("book", "remove", 1, "--yes").exit_code == 0
    assert facts("show")["runs"] == []
    assert (car / "book" / "removed" / "0001" / "clean_launch.csv").is_file()


def test_a_log_may_stay_where_it_lies(car: Path) -> None:
    run("book", "add", "clean_launch.csv", "--no-copy")
    run("book", "add", "high_wheelstand.csv")
    assert not (car / "book" / "0001" / "clean_launch.csv").exists()
    moved = car.parent / "another machine"
    shutil.copytree(car, moved)
    assert run("book", "diff", 1, 2, "--book", moved / "book").exit_code == 0
    (moved / "clean_launch.csv").write_text("another")
    assert "another file than was added" in str(run("book", "diff", 1, 2, "--book", moved / "book").exception)
    (moved / "clean_launch.csv").unlink()
    assert "the log of this run is gone" in str(run("book", "diff", 1, 2, "--book", moved / "book").exception)


def test_an_older_book_is_read(car: Path) -> None:
    """What the first version wrote, word for word, without what came later."""
    old = car / "old" / "0007"
    old.mkdir(parents=True)
    (old / "run.toml").write_text(
        'book_version = 1\n\n[run]\nwhen = "2026-05-02T14:30:00"\n\n[log]\nfile = "run.csv"\n\n'
        '[calibration]\nimage_crc32 = "ae04eda3"\n\n[slip]\n60_ft_s = 1.1\n'
    )
    found = facts("show", "--book", car / "old")
    (one,) = found["runs"]  # type: ignore[misc]
    assert (one["run"], one["time_60_ft_s"], one["peak_lift_mm"]) == (7, 1.1, None)
    assert run("book", "show", "--book", car / "old").exit_code == 0
    assert run("book", "set", 7, "--note", "n", "--book", car / "old").exit_code == 0
    assert run("book", "page", "--book", car / "old").exit_code == 0
