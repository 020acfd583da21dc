"""Runs made for a calibration."""

from __future__ import annotations

import pytest

from bench.blackbox.played import played
from bench.blackbox.stories import STORIES, story
from bench.blackbox.unit import Unit, reference
from tests.blackbox_support import image


@pytest.mark.parametrize("name", STORIES)
def test_each_cuts_and_ends_at_rest(name: str) -> None:
    run = played(story(name, image()), image())
    made = reference(run, Unit())
    assert (~made.fuel).sum() > 40
    assert made.fuel[-8:].all()
    assert made.spark[-8:].all()
