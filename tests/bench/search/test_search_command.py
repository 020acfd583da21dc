"""The command search as a person uses it: screen, files, exit codes, Ctrl-C, and the workers of a cluster."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time

import click
import pytest

from bench import cli
from bench.calibration import load as load_calibration
from bench.errors import UserError
from tests import ROOT
from tests.vehicle_support import CALIBRATION_PATH, CAR_PATH, NOT_BUILT

pytestmark = pytest.mark.skipif(NOT_BUILT is not None, reason=str(NOT_BUILT))

BASE = ("search", "--vehicle", str(CAR_PATH), "--calibration", str(CALIBRATION_PATH))
TINY = ("--distance", "60ft", "--cars", "8", "--check", "16", "--population", "8", "--generations", "2")
LIMIT = ("--limit", "lift_mm=350")


def liftlatch(*arguments):
    """The exit code of the command; it runs in this process."""
    return cli.liftlatch.main(list(arguments), prog_name="liftlatch", standalone_mode=False)


def refused(*arguments):
    with pytest.raises((click.ClickException, UserError)) as caught:
        liftlatch(*arguments)
    error = caught.value
    return error.format_message() if isinstance(error, click.ClickException) else str(error)


@pytest.fixture(scope="module")
def searched(tmp_path_factory):
    out = tmp_path_factory.mktemp("search") / "out"
    assert liftlatch(*BASE, *LIMIT, *TINY, "--out", str(out)) == 0
    return out


@pytest.mark.slow
def test_the_screen_fits_a_terminal_and_says_what_it_is(searched, capsys):
    # the same command again: everything is there already, and it says the same
    before = {path.name: path.read_bytes() for path in searched.iterdir() if path.name != "summary.json"}
    assert liftlatch(*BASE, *LIMIT, *TINY, "--out", str(searched)) == 0
    text = capsys.readouterr().out
    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80
    for piece in (
        "least time to 60 ft", "peak lift 350 mm, command reversals 15", "in 95 %",
        "The settings", "look-ahead, falling",
        "On 16 cars that it was not sought with", "not slower than without",
        "The trade-off, on the same cars", "What bounds it", "A model's guess from these inputs",
        "An engineering aid, not a safety device",
    ):  # fmt: skip
        assert piece in text, piece
    words = " ".join(text.split())
    assert "Start mild, with bars where the class allows, on a prepared track" in words
    assert "under the rules and the people responsible there" in words
    after = {path.name: path.read_bytes() for path in searched.iterdir() if path.name != "summary.json"}
    assert after == before


@pytest.mark.slow
def test_the_folder_holds_a_calibration_that_the_other_commands_take(searched, tmp_path, capsys):
    assert sorted(p.name for p in searched.iterdir()) == [
        ".liftlatch", "calibration.toml", "report.html", "search.svg", "state.json", "summary.json"
    ]  # fmt: skip
    found = json.loads((searched / "summary.json").read_text())
    path = searched / "calibration.toml"
    assert f"{load_calibration(path).crc:08x}" == found["image_crc32"]
    start = CALIBRATION_PATH.read_text().splitlines()
    comments = [line.split("#", 1)[1] for line in start if "#" in line and "release =" not in line]
    text = path.read_text()
    assert all(comment in text for comment in comments)
    out = tmp_path / "predicted"
    predict = ("predict", "--vehicle", str(CAR_PATH), "--calibration", str(path), "--distance", "60")
    liftlatch(*predict, "--out", str(out))
    liftlatch("replay", str(out / "trace.csv"), "--calibration", str(path))
    assert "reduction" in capsys.readouterr().out
    assert (searched / "search.svg").read_text().startswith("<svg")


@pytest.mark.slow
def test_a_quick_search_that_finds_nothing_says_what_to_do(capsys):
    # what is given beside --quick counts, what is not comes from it
    assert liftlatch(*BASE, "--limit", "lift_mm=20", *TINY, "--quick") == 1
    words = " ".join(capsys.readouterr().out.split())
    assert "quick 8 settings, 2 generations, within 20 % of each range from the start" in words
    assert "Nothing was found that keeps the limits. A quick search ends so now and then" in words
    assert "Search without --quick" in words
    assert liftlatch(*BASE, "--limit", "lift_mm=20", *TINY, "--quick", "--near", "50") == 1
    assert "within 50 % of each range" in " ".join(capsys.readouterr().out.split())
    assert liftlatch(*BASE, "--limit", "lift_mm=20", *TINY) == 1
    assert "quick" not in capsys.readouterr().out


def test_a_row_of_a_search_that_is_done_can_be_taken(searched, tmp_path, capsys):
    import shutil

    out = tmp_path / "out"
    shutil.copytree(searched, out)
    before = json.loads((searched / "summary.json").read_text())
    row = next(n for n, one in enumerate(before["trade_off"], 1) if not one["chosen"])
    code = liftlatch(*BASE, *LIMIT, *TINY, "--out", str(out), "--take", str(row))
    assert code == (0 if before["trade_off"][row - 1]["keeps_limits"] else 1)
    after = json.loads((out / "summary.json").read_text())
    assert after["taken_row"] == row
    assert f"{load_calibration(out / 'calibration.toml').crc:08x}" == after["image_crc32"]
    assert after["image_crc32"] != before["image_crc32"]
    assert (out / "state.json").read_bytes() == (searched / "state.json").read_bytes()
    assert f"The setting of row {row}" in " ".join(capsys.readouterr().out.split())


@pytest.mark.slow
def test_a_limit_that_nothing_keeps_ends_with_1_and_writes_no_calibration(tmp_path, capsys):
    out = tmp_path / "out"
    assert liftlatch(*BASE, "--limit", "lift_mm=20", *TINY, "--out", str(out)) == 1
    text = capsys.readouterr().out
    assert "The nearest settings; they do NOT keep the limits" in text
    assert "No setting was found that keeps the limits in 95 %" in text
    assert not (out / "calibration.toml").exists()
    assert json.loads((out / "summary.json").read_text())["limits_kept"] is False


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "Missing option '--limit'"),
        (("--limit", "lift=350"), "has no unit of a peak lift"),
        ((*LIMIT, "--distance", "70ft"), "none of 60, 330, 660, 1000, 1320 ft"),
        ((*LIMIT, "--share", "20"), "not in the range 50<=x<=100"),
        ((*LIMIT, "--fix", "hold"), "is nothing that is sought"),
        ((*LIMIT, "--range", "hold_ms=1"), "is not a range"),
        ((*LIMIT, "--near", "0"), "not in the range 1<=x<=100"),
        ((*LIMIT, "--take", "1"), "--take writes a calibration"),
        ((*LIMIT, "--cluster", "nowhere"), "no Dask scheduler at nowhere"),
    ],
)
def test_bad_input_is_one_line(arguments, says):
    message = refused(*BASE, *arguments)
    assert says in message
    assert "\n" not in message.strip()


def test_a_changed_command_in_the_same_folder_is_one_line(searched):
    message = refused(*BASE, *LIMIT, *TINY, "--seed", "9", "--out", str(searched))
    assert "holds a search with another seed (1, now 9)" in message
    assert (searched / "calibration.toml").exists()


@pytest.mark.slow
def test_ctrl_c_keeps_what_was_done_and_the_same_command_goes_on(tmp_path):
    def command(name):
        options = ("--distance", "60", "--cars", "12", "--check", "16", "--population", "8")
        more = ("--generations", "10", "--out", str(tmp_path / name))
        return [sys.executable, "-c", "from bench.cli import main; main()", *BASE, *LIMIT, *options, *more]

    path = tmp_path / "a" / "state.json"
    process = subprocess.Popen(
        command("a"), cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    deadline = time.monotonic() + 60
    while process.poll() is None and not (path.exists() and json.loads(path.read_text())["generation"] >= 2):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    _, told = process.communicate(timeout=60)
    assert process.returncode == 130, told
    assert "keeps what was done; the same command goes on from there" in told
    assert "Traceback" not in told
    done = json.loads(path.read_text())["generation"]
    assert 2 <= done < 10
    for name in "ab":
        subprocess.run(command(name), cwd=ROOT, check=True, capture_output=True)
    for name in ("state.json", "calibration.toml", "search.svg"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


@pytest.mark.slow
def test_the_workers_of_a_cluster_find_the_same(searched, tmp_path):
    pytest.importorskip("distributed")
    file, out = tmp_path / "scheduler.json", tmp_path / "out"
    processes = []

    def start(*arguments):
        processes.append(
            subprocess.Popen(
                [sys.executable, "-m", *arguments, "--scheduler-file", str(file), "--no-dashboard"],
                cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )
        )  # fmt: skip

    try:
        start("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0")
        deadline = time.monotonic() + 60
        while not file.exists():
            assert time.monotonic() < deadline
            time.sleep(0.05)
        for _ in range(2):
            start("distributed.cli.dask_worker", "--no-nanny", "--nthreads", "1", "--host", "127.0.0.1")
        address = json.loads(file.read_text())["address"]
        assert liftlatch(*BASE, *LIMIT, *TINY, "--cluster", address, "--out", str(out)) == 0
    finally:
        for process in processes:
            process.kill()
            process.wait()
    for name in ("state.json", "calibration.toml", "search.svg"):
        assert (out / name).read_bytes() == (searched / name).read_bytes(), name


def test_it_says_which_part_is_missing(monkeypatch):
    from bench.vehicle import compiled

    monkeypatch.setattr(compiled, "available", lambda: "the compiled car is not built")
    monkeypatch.setattr("bench.search.study.longest_run", lambda *_: 3.0)
    assert "needs the compiled car" in refused(*BASE, *LIMIT, *TINY)
