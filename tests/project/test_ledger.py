"""The table of the ledger: figures are found in what commands print, and the page shows the kept ones."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests import ROOT, ledger
from tests.ledger import BEGIN, END, PAGE, ROWS, Row, find, kept, page_table, run_row, with_table


def test_the_page_shows_the_kept_figures() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert with_table(page, page_table(kept())) == page


def test_a_command_that_fails_leaves_its_claim_open(tmp_path: Path) -> None:
    row = Row("rules", "a claim", "python -c 'print(1); print(\"2 of 3\"); raise SystemExit(1)'")
    figure = run_row(row, tmp_path, "abc")
    assert (figure.code, figure.figure) == (1, "2 of 3")
    assert (tmp_path / "rules.log").read_text() == "1\n2 of 3\n"
    assert "OPEN (exit code 1): 2 of 3" in page_table({"rules": figure})
    silent = run_row(Row("rules", "a claim", "python -c pass"), tmp_path, "abc")
    assert silent.figure == "it printed nothing that reads as a figure"


@pytest.mark.parametrize(
    ("printed", "pattern", "figure"),
    [
        ("a\n5 of 5\n\n", "", "5 of 5"),
        ("", "", ""),
        ("== 3 failed, 9 passed in 2 s ==\n", ROWS[1].figure, "3 failed, 9 passed in 2 s"),
        (
            "........ [100%]\n===== 2519 passed in 600.1s (0:10:00) =====\n",
            ROWS[1].figure,
            "2519 passed in 600.1s (0:10:00)",
        ),
        ("nothing of the kind", ROWS[1].figure, ""),
    ],
)
def test_figures_are_found(printed: str, pattern: str, figure: str) -> None:
    assert find(printed, pattern) == figure


def test_the_table_goes_between_its_marks() -> None:
    page = f"# A\n\n{BEGIN}\nold\n{END}\n\nafter\n"
    assert with_table(page, "new") == f"# A\n\n{BEGIN}\nnew\n{END}\n\nafter\n"


def test_a_figure_is_kept_before_the_next_command_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep, page = tmp_path / "kept.toml", tmp_path / "page.md"
    page.write_text(f"{BEGIN}\n{END}\n")
    # longer than any part of a commit's name or of a date, which stand beside it
    number = "9876543210"
    first = Row("first", "a claim", f"python -c 'print({number})'")
    second = Row("second", "another", f'python -c \'print(open("{keep}").read().count("{number}"))\'')
    monkeypatch.setattr(ledger, "ROWS", (first, second))
    monkeypatch.setattr(ledger, "KEPT", keep)
    monkeypatch.setattr(ledger, "PAGE", page)
    monkeypatch.setattr(ledger, "LOGS", tmp_path)
    done = CliRunner().invoke(ledger.main, ["--write"])
    assert done.exit_code == 0, done.output
    assert {name: figure.figure for name, figure in kept().items()} == {"first": number, "second": "1"}
    assert "| another |" in page.read_text()


def test_every_command_is_there() -> None:
    for row in ROWS:
        words = row.command.split()
        if words[:2] == ["python", "-m"]:
            place = ROOT / words[2].replace(".", "/")
            assert place.with_suffix(".py").exists() or (place / "__main__.py").exists(), row.command
        else:
            assert (ROOT / words[0]).exists(), row.command


@pytest.mark.slow
def test_ctrl_c_ends_the_command_and_prints_what_is_known() -> None:
    words = [sys.executable, "-m", "tests.ledger", "--only", "rules", "--only", "twin"]
    with subprocess.Popen(
        words, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stderr is not None
        assert "rules" in process.stderr.readline()
        assert "twin" in process.stderr.readline()
        time.sleep(0.2)
        os.kill(process.pid, signal.SIGINT)
        out, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "0 wrong" in out
    assert err == "liftlatch: stopped\n"
