"""The two-slot store of calibrations: a power cut at every step leaves the old or the new image, whole."""

from __future__ import annotations

import binascii
import ctypes
import random
import struct
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.calibration.image import pack, unpack
from controller import Controller
from controller.image import LENGTH
from firmware_model import binding
from firmware_model.core_sources import CORE, HERE
from tests.core_support import STRICT
from tests.support import values
from tests.tools import need, need_core, run

PAGE = 1024
SLOT = 2 * PAGE
STEPS = SLOT // PAGE + LENGTH // 4 + 2  # erases, words of the image, number and CRC

OLD, NEW, NEWER = (pack(values(hold_ticks=ticks)) for ticks in (100, 200, 250))

_ERASE = ctypes.CFUNCTYPE(ctypes.c_bool, ctypes.c_void_p, ctypes.c_uint32)
_WRITE = ctypes.CFUNCTYPE(ctypes.c_bool, ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint32)


class _FlashStruct(ctypes.Structure):
    _fields_ = (
        ("self", ctypes.c_void_p),
        ("base", ctypes.c_void_p),
        ("page_bytes", ctypes.c_uint32),
        ("slot_bytes", ctypes.c_uint32),
        ("erase", _ERASE),
        ("write", _WRITE),
    )


class Flash:
    """Two slots of flash and the store on them.

    It asserts that its caller keeps the rules: whole pages, whole words, each once after its erase. At step
    `cut_at` (erases and words, from 0) the supply goes: the page or word is left in any state between, and
    nothing done afterwards has any effect, until `power_up`.
    """

    def __init__(self, store: Any, content: bytes = b"\xff" * (2 * SLOT)) -> None:
        self._store = store
        self.memory = (ctypes.c_uint32 * (2 * SLOT // 4)).from_buffer_copy(content)
        self._fresh = [word == 0xFFFFFFFF for word in self.memory]
        self._callbacks = (_ERASE(self._erase), _WRITE(self._write))
        base = ctypes.addressof(self.memory)
        self._struct = _FlashStruct(None, base, PAGE, SLOT, *self._callbacks)
        self.erases = [0] * 4
        self.cut_at: int | None = None
        self.harm = random.Random(0)
        self.steps = 0
        self.powered = True
        self.broken: set[int] = set()
        self.faults: list[str] = []

    def power_up(self) -> None:
        self.powered, self.cut_at, self.steps = True, None, 0

    def _step(self) -> bool:
        """Whether the supply goes in this step."""
        now = self.powered and self.steps == self.cut_at
        self.steps += 1
        return now

    def _erase(self, _: object, at: int) -> bool:
        if at % PAGE or not 0 <= at < 2 * SLOT:
            self.faults.append(f"erase at {at}")
            return False
        words = range(at // 4, (at + PAGE) // 4)
        cut = self._step()
        if not self.powered:
            return self.harm.random() < 0.5
        self.erases[at // PAGE] += 1
        for word in words:
            kept = self.harm.choice([0, self.harm.getrandbits(32), 0xFFFFFFFF]) if cut else 0
            self.memory[word] |= 0xFFFFFFFF & ~kept
            self._fresh[word] = not cut
        self.powered = not cut
        return True

    def _write(self, _: object, at: int, value: int) -> bool:
        if at % 4 or not 0 <= at < 2 * SLOT:
            self.faults.append(f"word at {at}")
            return False
        cut = self._step()
        if not self.powered:
            return self.harm.random() < 0.5
        if not self._fresh[at // 4]:
            self.faults.append(f"word at {at} without an erase")
        missed = self.harm.choice([0, self.harm.getrandbits(32), 0xFFFFFFFF]) if cut else 0
        if at in self.broken:
            missed |= 1 << 7
        self.memory[at // 4] &= value | missed
        self._fresh[at // 4] = False
        self.powered = not cut
        return True

    def at(self, place: int | None) -> bytes | None:
        return None if place is None else ctypes.string_at(place, LENGTH)

    def place(self, age: int = 0) -> int | None:
        found: int | None = self._store.lift_store_read(ctypes.byref(self._struct), age)
        return found

    def read(self, age: int = 0) -> bytes | None:
        return self.at(self.place(age))

    def fell_back(self, in_use: int | None) -> bool:
        told: bool = self._store.lift_store_fell_back(ctypes.byref(self._struct), in_use)
        return told

    def store(self, image: bytes, in_use: int | None = None) -> int | None:
        found: int | None = self._store.lift_store_write(ctypes.byref(self._struct), image, in_use)
        assert not self.faults, self.faults
        return found


@pytest.fixture(scope="session")
def store(tmp_path_factory: pytest.TempPathFactory) -> Any:
    made = tmp_path_factory.mktemp("store") / "store.so"
    sources = [HERE / "store" / "store.c", CORE / "fixed.c"]
    run(*need("gcc"), *STRICT, "-O1", "-fPIC", "-shared", *sources, "-o", made)
    library = ctypes.CDLL(str(made))
    library.lift_store_read.restype = ctypes.c_void_p
    library.lift_store_fell_back.restype = ctypes.c_bool
    library.lift_store_fell_back.argtypes = (ctypes.c_void_p, ctypes.c_void_p)
    library.lift_store_write.restype = ctypes.c_void_p
    library.lift_store_write.argtypes = (ctypes.c_void_p, ctypes.c_char_p, ctypes.c_void_p)
    return library


@pytest.mark.parametrize("fill", [b"\xff", b"\0", b"\xa5"])
def test_a_flash_that_was_never_written_holds_nothing(store: Any, fill: bytes) -> None:
    flash = Flash(store, fill * (2 * SLOT))
    assert (flash.read(0), flash.read(1)) == (None, None)
    assert flash.at(flash.store(OLD)) == OLD
    assert (flash.read(0), flash.read(1)) == (OLD, None)


@pytest.mark.rule("W4")
def test_the_newest_is_read_and_the_one_before_it_kept(store: Any) -> None:
    flash = Flash(store)
    place = None
    for image in (OLD, NEW, NEWER, OLD):
        before = flash.read()
        place = flash.store(image, place)
        assert flash.at(place) == image
        assert (flash.read(0), flash.read(1)) == (image, before)
    assert flash.erases == [2, 2, 2, 2]  # both slots wear alike


def test_the_bytes_in_a_slot(store: Any) -> None:
    """Checked with the standard library's CRC-32."""
    flash = Flash(store)
    flash.store(OLD)
    flash.store(NEW)
    for slot, (image, number) in enumerate([(OLD, 0), (NEW, 1)]):
        data = bytes(flash.memory)[slot * SLOT :]
        body = image + struct.pack("<I", number)
        assert data[: LENGTH + 8] == body + struct.pack("<I", binascii.crc32(body))
        unpack(data[:LENGTH])


@pytest.mark.rule("W4")
def test_a_fall_back_to_the_older_image_is_told(store: Any) -> None:
    """The image in use is older than what was to be kept last: cut off in the middle, damaged since, or newer
    and whole but refused."""
    flash = Flash(store)
    assert not flash.fell_back(None)
    first = flash.store(OLD)
    assert not flash.fell_back(first)  # the other slot is blank
    second = flash.store(NEW, first)
    assert not flash.fell_back(second)  # the other slot holds the one before
    assert flash.fell_back(first)  # as where the controller refused the newer one
    for cut in range(3, STEPS - 1, 29):  # cut while the words of the third image are written
        flash = Flash(store)
        in_use = flash.store(NEW, flash.store(OLD))
        flash.cut_at = flash.steps + cut
        flash.store(NEWER, in_use)
        flash.power_up()
        assert flash.at(flash.place()) == NEW
        assert flash.fell_back(flash.place())
        assert not flash.fell_back(flash.store(NEWER, flash.place()))
    flash = Flash(store)
    first = flash.store(OLD)
    flash.store(NEW, first)
    flash.memory[SLOT // 4 + 100] ^= 8
    assert flash.place() == first
    assert flash.fell_back(first)


@pytest.mark.rule("W3", "W4")
@pytest.mark.parametrize("make", [Controller, "c"], ids=["reference", "c"])
def test_after_damage_the_safe_state_is_that_of_the_image_in_use(store: Any, make: Any) -> None:
    """Falls back and says so; with both kept images damaged none is in use, and nothing is taken."""
    if make == "c":
        need_core()
        make = binding.Core
    kept = [pack(values(safe_reduction=taken, safe_retard=30)) for taken in (400, 700)]
    for harmed, taken in ((), 700), ((1,), 400), ((0,), 700), ((0, 1), None):
        flash = Flash(store)
        flash.store(kept[1], flash.store(kept[0]))
        for slot in harmed:
            flash.memory[slot * SLOT // 4 + 100] ^= 8
            controller = make()
            assert controller.load(bytes(flash.memory)[slot * SLOT :][:LENGTH]) != 0  # by its own CRC, too
        place = flash.place()
        assert flash.fell_back(place) or harmed != (1,)
        assert (place is None) == (taken is None)
        controller = make()
        if place is not None:
            assert controller.load(flash.at(place)) == 0
        controller.safe()
        assert controller.acting()[:2] == ((0, 0) if taken is None else (taken, 30))


def test_an_image_that_is_there_already_wears_nothing(store: Any) -> None:
    flash = Flash(store)
    place = flash.store(OLD)
    erases = list(flash.erases)
    assert flash.store(OLD, place) == place
    assert flash.erases == erases


@pytest.mark.rule("W4")
def test_the_slot_in_use_is_never_touched(store: Any) -> None:
    """Where the newest image is not the one in use, as when a newer firmware refuses it."""
    flash = Flash(store)
    first = flash.store(OLD)
    flash.store(NEW)
    place = flash.store(NEWER, first)
    assert place != first
    assert flash.at(first) == OLD
    assert (flash.read(0), flash.read(1)) == (NEWER, OLD)


def test_numbers_wrap(store: Any) -> None:
    content = b""
    for image, number in ((OLD, 0xFFFFFFFE), (NEW, 0xFFFFFFFF)):
        body = image + struct.pack("<I", number)
        content += (body + struct.pack("<I", binascii.crc32(body))).ljust(SLOT, b"\xff")
    flash = Flash(store, content)
    assert flash.read() == NEW
    assert flash.at(flash.store(NEWER, flash.place())) == NEWER
    assert (flash.read(0), flash.read(1)) == (NEWER, NEW)


def test_a_store_takes_as_many_steps_as_are_cut_below(store: Any) -> None:
    flash = Flash(store)
    flash.store(OLD)
    assert flash.steps == STEPS


@pytest.mark.slow
@pytest.mark.rule("W4")
@pytest.mark.parametrize("before", ["nothing", "old", "older and old"])
def test_a_cut_at_every_step_leaves_the_old_image_or_the_new_one(store: Any, before: str) -> None:
    outcomes = set()
    for cut in range(STEPS):
        for harm in range(3):
            flash = Flash(store)
            flash.harm.seed(f"{cut} {harm}")
            in_use = None
            for image in {"nothing": [], "old": [OLD], "older and old": [NEWER, OLD]}[before]:
                in_use = flash.store(image, in_use)
            flash.cut_at = flash.steps + cut
            flash.store(NEW, in_use)
            assert not flash.powered
            flash.power_up()
            found = flash.read()
            assert found in ((OLD, NEW) if before != "nothing" else (None, NEW))
            outcomes.add(found)
            if cut < STEPS - 1:
                assert found != NEW, "not whole before its CRC"
            # And it goes on from there.
            assert flash.at(flash.store(NEW, flash.place())) == NEW
            assert flash.read() == NEW
    assert outcomes == {NEW, None if before == "nothing" else OLD}


@pytest.mark.rule("W4")
@given(
    runs=st.lists(
        st.tuples(st.integers(0, 2), st.one_of(st.none(), st.integers(0, STEPS - 1)), st.integers(0, 99)),
        max_size=8,
    )
)
@settings(max_examples=60)
def test_cut_after_cut_some_image_that_was_stored_is_there(store: Any, runs: list[Any]) -> None:
    """From any state that cuts can leave: what is read is whole, and never older than what was in use."""
    flash = Flash(store)
    in_use = flash.store(OLD)
    for which, cut, harm in runs:
        image = (OLD, NEW, NEWER)[which]
        flash.harm.seed(harm)
        flash.cut_at = None if cut is None else flash.steps + cut
        used = flash.at(in_use)
        place = flash.store(image, in_use)
        if flash.powered:
            assert flash.at(place) == image
        flash.power_up()
        in_use = flash.place()
        assert flash.at(in_use) in ((image,) if cut is None else (used, image))


@pytest.mark.rule("W4")
@pytest.mark.parametrize("at", [0, 400, 800, LENGTH - 4, LENGTH, LENGTH + 4])
def test_a_worn_word_is_noticed(store: Any, at: int) -> None:
    """A bit that no longer goes to 0; where the image has a 1 there nothing is lost."""
    flash = Flash(store)
    first = flash.store(OLD)
    flash.broken = {SLOT + at}
    body = NEW + struct.pack("<I", 1)
    harmless = (body + struct.pack("<I", binascii.crc32(body)))[at] >> 7 == 1
    assert flash.at(flash.store(NEW, first)) == (NEW if harmless else None)
    assert flash.at(first) == OLD
    assert flash.read() == (NEW if harmless else OLD)


def test_a_flash_that_says_that_it_failed_is_believed(store: Any) -> None:
    flash = Flash(store)
    first = flash.store(OLD)
    flash.cut_at = flash.steps
    flash.harm.random = lambda: 1.0  # type: ignore[method-assign]
    assert flash.store(NEW, first) is None
