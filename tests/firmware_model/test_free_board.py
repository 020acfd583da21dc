"""The firmware on the emulated board, by itself: a timer's interrupt steps, the crank's asks for events."""

from __future__ import annotations

import pytest

from bench.device.emulated import missing
from tests.blackbox_support import judge_of_square, square
from tests.firmware_model.free_board import run_board

pytestmark = [pytest.mark.slow, pytest.mark.skipif(missing() is not None, reason=str(missing()))]


def test_the_right_one_is_equal_to_the_black_box_and_a_wrong_one_is_not() -> None:
    made = run_board(square(), seed=1)
    assert (~made.fuel).sum() > 100
    assert not judge_of_square().judge(made).found
    assert judge_of_square().judge(run_board(square(), bug="peak-lost")).found
