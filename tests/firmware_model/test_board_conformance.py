"""The conformance set on every emulated board, whole: outputs, events, states, and the verdicts on images."""

from __future__ import annotations

import pytest

from bench.console import make_console
from bench.device.emulated import emulated_board
from bench.verify.compare import Options
from bench.verify.judge import Criterion
from bench.verify.made_up import chosen, wrong_images
from bench.verify.run import run_all
from firmware_model.board import build
from tests.firmware_model.test_board import conversation
from tests.tools import need_emulated


@pytest.mark.slow
@pytest.mark.parametrize("name", build.BOARDS)
def test_the_conformance_set_is_equal_on_every_board(name: str) -> None:
    need_emulated(name)
    made, console = chosen(True, None, 0), make_console(err=True)
    with emulated_board(board=name) as board:
        for target in conversation(board):
            results = run_all(target, Options(window=8), made.subjects(), False, Criterion(), console)
            assert [result.verdict for result in results] == ["equal"] * len(made.cases)
            assert sum(result.tally.ticks for result in results) == sum(
                len(case.whole[0]) for case in made.cases
            )
            assert wrong_images(target, made.images, made.cases[0].image, console) == []
