"""What the firmware costs against the committed table: it may only shrink."""

from __future__ import annotations

import json

import numpy as np
import pytest

from bench.benchmarks import budgets
from bench.benchmarks.budgets import Row, parse
from bench.calibration.image import pack
from bench.device.emulated import INSTRUCTION_NS
from bench.link.protocol import INPUT
from controller import Calibration, read
from firmware_model.board import build
from tests import ROOT
from tests.tools import need_board, need_emulated

TEXT = budgets.TABLE.read_text(encoding="utf-8")
COMMITTED = parse(TEXT)
BOARDS = budgets.parse_boards(TEXT)
HEADS = (
    "| what | Cortex-M3 | Cortex-M0+ | must stay below |",
    "| board | processor | flash | RAM | stack | worst tick |",
)


def grown(measured: list[Row]) -> list[str]:
    """What is larger than committed, or committed beyond its limit."""
    committed = {row.what: row for row in COMMITTED}
    found = []
    for row in measured:
        known = committed[row.what]
        assert row.limit == known.limit
        for now, before in ((row.m3, known.m3), (row.m0, known.m0)):
            assert (now is None) == (before is None)
            if now is not None and before is not None:
                found += [f"{row.what}: {now}, was {before}"] * (now > before)
                found += [f"{row.what}: {now}, not below {row.limit}"] * (
                    row.limit is not None and now >= row.limit
                )
    return found


@pytest.mark.slow
def test_no_size_has_grown() -> None:
    """If one had to: `python -m bench.benchmarks.budgets --write`, and say why."""
    need_board()
    assert grown(budgets.sizes()) == []


@pytest.mark.slow
def test_no_time_has_grown() -> None:
    need_board()
    assert grown(budgets.times()) == []


@pytest.mark.parametrize("name", build.BOARDS)
def test_no_firmware_of_a_board_has_grown(name: str) -> None:
    need_emulated(name)
    (known,) = (row for row in BOARDS if row.board == name)
    flash, ram = budgets.board_sizes(name)
    assert (flash <= known.flash, ram <= known.ram) == (True, True), (flash, ram)
    assert known.processor == build.BOARDS[name].processor


@pytest.mark.slow
@pytest.mark.parametrize("name", build.BOARDS)
def test_no_tick_of_a_board_has_grown(name: str) -> None:
    need_emulated(name)
    (known,) = (row for row in BOARDS if row.board == name)
    now = budgets.board_row(name)
    assert now.tick <= known.tick
    assert now.stack <= known.stack


def test_the_tables_are_complete() -> None:
    assert len(COMMITTED) == 13
    assert [row.board for row in BOARDS] == list(build.BOARDS)
    rows = [line for line in TEXT.splitlines() if line.startswith("| ")]
    assert [row.text for row in (*COMMITTED, *BOARDS)] == [row for row in rows if row not in HEADS]
    assert len(rows) == len(COMMITTED) + len(BOARDS) + 2
    assert sum(row.limit is not None for row in COMMITTED) >= 7


def test_growth_and_limits_are_noticed() -> None:
    for at, row in enumerate(COMMITTED):
        more = [*COMMITTED[:at], Row(row.what, row.m3 + 1, row.m0, row.limit), *COMMITTED[at + 1 :]]
        assert grown(more)[0] == f"{row.what}: {row.m3 + 1}, was {row.m3}"
        if row.limit is not None:
            over = Row(row.what, row.limit, row.m0, row.limit)
            assert f"{row.what}: {row.limit}, not below {row.limit}" in grown([over])
    assert grown(COMMITTED) == []


def test_readme_shows_the_committed_numbers() -> None:
    text = (ROOT / "firmware_model" / "README.md").read_text(encoding="utf-8")
    for row in COMMITTED:
        assert row.text in text, f"firmware_model/README.md does not show: {row.text}"


def test_the_costliest_case_found_is_a_legal_one() -> None:
    image, inputs = budgets.read_worst()
    assert read(image, Calibration()) == 0
    assert inputs.dtype == INPUT
    assert image == pack(json.loads(budgets.WORST.read_text())["values"])
    assert len(inputs) > 100
    start = budgets.largest(json.loads(budgets.WORST.read_text())["values"])
    assert read(pack(start), Calibration()) == 0
    assert len(np.unique(budgets.out_and_back()["counts"])) > 100


@pytest.mark.slow
def test_the_search_measures_what_status_says() -> None:
    """The firmware that tells each tick's cost, and the plain one that tells the worst."""
    need_board()
    image, inputs = budgets.read_worst()
    with budgets.conversation("tick-cost") as target:
        cost = int(budgets.run(target, image, inputs)["hold_left"].max())
    with budgets.conversation() as target:
        budgets.run(target, image, inputs)
        status = target.status()
    assert abs(status.worst_tick_ns - cost) <= 3 * INSTRUCTION_NS
    (deepest,) = (row.m3 for row in COMMITTED if "interrupts on top" in row.what)
    assert status.stack_bytes <= deepest  # paint shows no more than the call graph allows
