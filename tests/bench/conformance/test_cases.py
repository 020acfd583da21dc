"""The cases: the set is what it says, each comes to rest, names make them again."""

from __future__ import annotations

import numpy as np
import pytest

from bench.conformance.cases import Case, case_id, feed, pieces
from bench.conformance.chosen_set import SET, conformance_set, digest_of
from bench.conformance.cost import case_bytes, framed, image_bytes, seconds
from bench.conformance.images import changed_images, pieces_between
from bench.link.frames import encode
from bench.link.protocol import Kind, message, pack_step
from bench.link.target import LocalTarget
from controller import Calibration, read
from controller.constants import FAULT_TICK, IMAGE_OK
from firmware_model.binding import Core
from tests.tools import need_core


def test_the_set_is_what_its_digest_says() -> None:
    of_set = conformance_set()
    assert of_set.digest == digest_of(of_set.cases), f"raise the version in {SET.name} and choose anew"


def test_the_set_fits_into_a_minute_of_a_slow_line() -> None:
    of_set = conformance_set()
    images = [image.bytes for image in changed_images(of_set.cases[0])]
    assert 20 < seconds(of_set.cases, images, 115200, 512) < 60


def test_every_case_of_the_set_ends_at_rest() -> None:
    for case in conformance_set().cases:
        last = case.right.outputs[-1]
        assert (last["launched"], last["reduction"], last["retard"]) == (0, 0, 0), str(case)
        assert read(case.image, Calibration()) == IMAGE_OK


def test_the_core_gives_the_same() -> None:
    need_core()
    for case in conformance_set().cases:
        target = LocalTarget(Core())
        assert target.load(case.image) == 0
        target.start()
        given = feed(target, *case.whole)
        assert (given.outputs == case.right.outputs).all(), str(case)
        assert given.events == case.right.events


def test_the_set_goes_through_what_a_controller_can_do() -> None:
    faults = states = reasons = 0
    for case in conformance_set().cases:
        for row in case.right.outputs:
            faults |= int(row["faults"])
            states |= 1 << int(row["state"])
            reasons |= 1 << min(int(row["reason"]), 16)
    assert faults == 0b1111111111  # every fault bit but that of no image
    assert states == 0b111111
    assert reasons & 0b1111111 == 0b1111111
    assert reasons >> 16


@pytest.mark.parametrize("text", ["7:300", "7:300:0-20", "7:300:0-20,40-300"])
def test_a_name_makes_the_case_again(text: str) -> None:
    case = Case.parse(text)
    assert str(case) == text
    assert case_id(case, 12) == f"case:12:{text}"


@pytest.mark.parametrize(
    "text", ["", "7", "7:0", "7:300:", "7:300:20-10", "7:300:0-20,10-30", "7:300:0-301", "7:x"]
)
def test_what_is_no_name_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r".*"):
        Case.parse(text)


def test_what_is_kept_of_a_case_are_those_ticks() -> None:
    whole, part = Case(9, 200), Case(9, 200, ((0, 50), (120, 160)))
    numbers, records = part.run
    assert (records == whole.run[1][[*range(50), *range(120, 160)]]).all()
    assert (numbers == whole.run[0][:90]).all()


def test_tick_numbers_that_jump_make_an_error_bit_of_every_jump() -> None:
    jumping = next(case for case in map(Case, range(1, 60), [300] * 59) if len(pieces(case.whole[0])) > 1)
    first = pieces(jumping.whole[0])[1][0]
    assert jumping.right.outputs["faults"][first] & FAULT_TICK
    assert sum((jumping.right.outputs["faults"] & FAULT_TICK) > 0) == len(pieces(jumping.whole[0])) - 1


def test_a_case_costs_what_its_frames_are_long() -> None:
    """The frames themselves, as the host makes them."""
    case = Case(3, 60)
    numbers, records = case.whole
    body = pack_step(int(numbers[0]), records[:5], True)
    frame = len(encode(message(Kind.STEP, 7, 1, body)))
    assert frame <= framed(5 + len(body)) <= frame + 2
    assert case_bytes(case, 512) > image_bytes(case.image, 512) + 53 * len(records)
    assert image_bytes(case.image, 512) > len(case.image)
    changed = bytearray(case.image)
    changed[100] ^= 1
    assert image_bytes(bytes(changed), 512, case.image) < 200


def test_pieces_make_the_one_image_of_the_other() -> None:
    rng = np.random.default_rng(4)
    before = rng.integers(0, 256, 900, dtype=np.uint8).tobytes()
    for length in (900, 700, 11):
        after = bytearray(before[:length])
        for at in rng.integers(0, length, 20):
            after[at] ^= 0x55
        made = bytearray(before)
        for at, data in pieces_between(before, bytes(after)):
            made[at : at + len(data)] = data
        assert bytes(made[:length]) == bytes(after)
