"""Changed images: every verdict is there, each change is the only one, the core gives the same verdicts."""

from __future__ import annotations

from collections import Counter

from bench.conformance.chosen_set import conformance_set
from bench.conformance.images import changed_images
from controller.constants import (
    IMAGE_CRC,
    IMAGE_LENGTH,
    IMAGE_MAGIC,
    IMAGE_OK,
    IMAGE_ORDER,
    IMAGE_RANGE,
    IMAGE_VERSION_OTHER,
)
from firmware_model.binding import Core
from tests.tools import need_core

IMAGES = changed_images(conformance_set().cases[0])


def test_every_verdict_is_asked_for() -> None:
    counts = Counter(image.verdict for image in IMAGES)
    assert set(counts) == {
        IMAGE_OK, IMAGE_MAGIC, IMAGE_VERSION_OTHER, IMAGE_LENGTH, IMAGE_CRC, IMAGE_RANGE, IMAGE_ORDER,
    }  # fmt: skip
    assert counts[IMAGE_MAGIC] == 5  # four letters, and an image too short for them
    assert counts[IMAGE_ORDER] > 25


def test_each_is_told_by_what_is_changed() -> None:
    names = [image.what for image in IMAGES]
    assert len(set(names)) == len(names)


def test_the_core_gives_the_same_verdicts() -> None:
    need_core()
    for image in IMAGES:
        assert Core().load(image.bytes) == image.verdict, image.what
