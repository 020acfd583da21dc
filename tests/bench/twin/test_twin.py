"""The C core is the reference's twin: same outputs, same state, same refusals, at every tick and event."""

from __future__ import annotations

import binascii
import os
import subprocess
import sys
from functools import partial

import numpy as np
import numpy.typing as npt
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.calibration.image import Values, pack, unpack
from bench.errors import UserError
from bench.random import Random
from bench.replay.command import replay
from bench.twin.case import Case
from bench.twin.compare import CONTEXT, INPUTS, compare, read_outputs, state_fields
from bench.twin.generate import Ints, make_inputs, make_values
from bench.twin.long import run_long
from controller import Calibration, Controller, read
from controller.constants import CYLINDERS, IMAGE_LENGTH, IMAGE_MAGIC, IMAGE_OK, IMAGE_ORDER, IMAGE_RANGE
from controller.image import FIELDS, HEADER_BYTES, LENGTH
from firmware_model.binding import INPUT_TYPES, OUTPUT_TYPES, Core, run
from tests import ROOT
from tests.strategies import calibrations, cases
from tests.support import values
from tests.tools import need_core

INT32 = st.integers(-(2**31), 2**31 - 1)


@pytest.fixture(autouse=True)
def _core() -> None:
    need_core()


def both(image: bytes) -> tuple[Controller, Core]:
    """The twins with an image that both must judge alike."""
    reference, core = Controller(), Core()
    assert reference.load(image) == core.load(image)
    return reference, core


def assert_equal(reference: Controller, core: Core) -> None:
    """Every output and every number of the state."""
    assert read_outputs(core) == read_outputs(reference)
    assert [field for field in state_fields(reference, core) if field[1] != field[2]] == []


def step_both(image: bytes, inputs: dict[str, Ints], digest_every: int) -> None:
    """Step both over the inputs with an event and a spark after each tick; equal in everything."""
    reference, core = both(image)
    assert core.digest() == reference.digest()
    for i, row in enumerate(zip(*(inputs[name].tolist() for name in INPUTS), strict=True)):
        reference.step(*row)
        core.step(*row)
        cylinder = i % (CYLINDERS + 3) - 1
        assert core.event(cylinder) == reference.event(cylinder)
        assert core.spark(cylinder) == reference.spark(cylinder)
        assert_equal(reference, core)
        if (i + 1) % digest_every == 0:
            assert core.digest() == reference.digest()
    assert core.outputs() == read_outputs(reference)


@settings(max_examples=40)
@given(cases())
def test_equal_for_any_calibration_and_inputs(case: tuple[Values, dict[str, Ints]]) -> None:
    step_both(pack(case[0]), case[1], digest_every=50)


@pytest.mark.slow
@settings(max_examples=300)
@given(cases(most_ticks=600))
def test_equal_digest_at_every_tick(case: tuple[Values, dict[str, Ints]]) -> None:
    step_both(pack(case[0]), case[1], digest_every=1)


# Chosen among many, because each tells some change of a single place of the reference that the others do not
# (python -m tests.mutation).
HURRIED = (1, 6, 9, 10, 11, 13, 15, 16, 22, 25, 28, 33, 36, 41, 51, 54)

# Times so short that a few hundred ticks go through every state of every part, again and again.
SHORT = {
    "learn_window": 6,
    "hold_ticks": 12,
    "fault_hold_ticks": 15,
    "sample_ticks": 2,
    "confirm_samples": 5,
    "heal_samples": 6,
    "stuck_samples": 8,
    "stuck_speed": 20,
    "spin_up_ticks": 10,
    "lookback_ticks": 3,
    "disarm_ticks": 6,
    "blind_until_ms": 400,
}


def hurried(made: Values) -> Values:
    """A calibration with no time longer than SHORT says."""
    short = dict(made)
    for name, most in SHORT.items():
        value = made[name]
        assert isinstance(value, int)
        short[name] = min(value, most)
    return short


@pytest.mark.parametrize("seed", HURRIED)
def test_equal_where_everything_happens_in_a_short_time(seed: int) -> None:
    made = hurried(make_values(Random(seed)))
    step_both(pack(made), make_inputs(Random(seed), made, 400), digest_every=5)


@settings(max_examples=30)
@given(calibrations(), st.lists(st.tuples(*[INT32] * len(INPUTS)), max_size=30))
def test_equal_for_inputs_that_mean_nothing(made: Values, rows: list[tuple[int, ...]]) -> None:
    reference, core = both(pack(made))
    for row in rows:
        reference.step(*row)
        core.step(*row)
        assert_equal(reference, core)
    assert core.digest() == reference.digest()


@given(st.integers(-5, 20), st.integers(0, 3))
def test_equal_without_an_image(cylinder: int, steps: int) -> None:
    reference, core = Controller(), Core()
    for _ in range(steps):
        reference.step(1, 2, 3, 1, 5, 6, 1, 1, 9, 10, 11)
        core.step(1, 2, 3, 1, 5, 6, 1, 1, 9, 10, 11)
    assert core.event(cylinder) == reference.event(cylinder) == 0
    assert core.spark(cylinder) == reference.spark(cylinder) == 0
    for _ in range(2):
        assert_equal(reference, core)
        assert core.digest() == reference.digest()
        reference.reset()
        core.reset()


def test_reset_and_a_new_image_start_as_after_power_up() -> None:
    case = Case(3, 4, 2000)
    other = pack(make_values(_Counting()))
    for image in (case.image, other):
        fresh = Core()
        assert fresh.load(image) == IMAGE_OK
        used = Core()
        used.load(case.image)
        used.run(case.inputs(), events=True)
        assert used.digest() != fresh.digest()
        if image is case.image:
            used.reset()
        else:
            assert used.load(image) == IMAGE_OK
        assert used.digest() == fresh.digest()


class _Counting:
    """A source of numbers that only count up."""

    def __init__(self) -> None:
        self.count = 0

    def whole(self, below: int) -> int:
        self.count += 1
        return self.count % below


class _Ends:
    """A source that gives the least, the greatest and the next number as likely as any other."""

    def __init__(self, seed: int) -> None:
        self._chance = Random(seed)

    def whole(self, below: int) -> int:
        assert below > 0
        return (0, below - 1, min(1, below - 1), self._chance.whole(below))[self._chance.whole(4)]


def test_every_calibration_made_is_accepted() -> None:
    for seed in range(400):
        assert read(pack(make_values(_Ends(seed))), Calibration()) == IMAGE_OK


# ---- refusals


def sealed(image: bytes) -> bytes:
    """The image with the CRC that its bytes have, so that what comes after the CRC is judged."""
    return image[:8] + binascii.crc32(image[HEADER_BYTES:]).to_bytes(4, "little") + image[HEADER_BYTES:]


def verdicts(image: bytes) -> int:
    """The verdict of both; the image active before must go on in the core."""
    expected = read(image, Calibration())
    core = Core()
    core.load(pack(values()))
    core.step(7, 1000, 0, 1, 0, 0, 1, 0, 0, 0, 0)
    before = core.digest()
    assert core.load(image) == expected
    assert expected == IMAGE_OK or core.digest() == before
    return expected


@settings(max_examples=100)
@given(calibrations(), st.data())
def test_a_flipped_bit_is_refused_for_the_same_reason(made: Values, data: st.DataObject) -> None:
    image = bytearray(pack(made))
    for bit in data.draw(st.sets(st.integers(0, LENGTH * 8 - 1), min_size=1, max_size=3)):
        image[bit // 8] ^= 1 << bit % 8
    assert verdicts(bytes(image)) != IMAGE_OK
    verdicts(sealed(bytes(image)))


@given(st.binary(max_size=40), st.integers(0, 40))
def test_a_wrong_length_is_refused_for_the_same_reason(tail: bytes, cut: int) -> None:
    image = pack(values())
    assert verdicts(image + tail + b"x") == IMAGE_LENGTH
    assert verdicts(image[: LENGTH - 1 - cut]) == IMAGE_LENGTH
    assert verdicts(image[:cut] if cut < HEADER_BYTES else b"LLCJ" + tail) == IMAGE_MAGIC


def field_places() -> list[tuple[str, str, int, int, int]]:
    """Name, code, offset of the last value, least and greatest of each field."""
    places = []
    at = HEADER_BYTES
    for name, code, count, least, greatest in FIELDS:
        size = 4 if code == "I" else 2
        at += size * count
        places.append((name, code, at - size, least, greatest))
    assert at == LENGTH
    return places


@pytest.mark.parametrize(("name", "code", "at", "least", "greatest"), field_places())
def test_the_range_of_each_field_is_the_same(
    name: str, code: str, at: int, least: int, greatest: int
) -> None:
    size, low, high = {"I": (4, 0, 2**32 - 1), "H": (2, 0, 65535), "h": (2, -32768, 32767)}[code]
    image = pack(values())
    tried = {least - 1, least, greatest, greatest + 1, low, high, 0, 1, 32767, 32768, 65535}
    for value in sorted(tried):
        if not low <= value <= high:
            continue
        part = value.to_bytes(size, "little", signed=code == "h")
        verdict = verdicts(sealed(image[:at] + part + image[at + size :]))
        assert (verdict == IMAGE_RANGE) == (not least <= value <= greatest), (name, value)


@pytest.mark.parametrize(
    "change",
    [
        {"window_low": 4055},
        {"window_high": 4096},
        {"sensor_counts": [5, 5]},
        {"sensor_counts": [0, 4096]},
        {"sensor_points": 3, "sensor_counts": [0, 9, 99], "sensor_height": [0, 5, 5]},
        {"sensor_height": [-20000, 20000]},
        {"rest": -1},
        {"rest": 8001},
        {"near_end": 8000},
        {"median_samples": 2},
        {"run_ms": [5, 5]},
        {"lift_axis": [960, 1600, 1600, 4800]},
        {"progress_axis": [7, 7]},
        {"fault_hold_ticks": 299},
        {"engine_points": 2, "engine_ms": [3, 2], "engine_rpm": [1, 1]},
        {"engine_over_rpm": [500, 500]},
        {"shaft_points": 2, "shaft_ms": [3, 3], "shaft_rpm": [1, 1]},
        {"shaft_over_rpm": [1, 0]},
        {"firing_order": [1, 8, 4, 3, 6, 5, 7, 7]},
        {"cylinders": 7},
    ],
    ids=str,
)
def test_parts_out_of_order_are_refused_alike(change: Values) -> None:
    assert verdicts(pack(values(**change))) == IMAGE_ORDER


# ---- the batch call


@settings(max_examples=30)
@given(cases())
def test_the_batch_call_equals_the_reference(case: tuple[Values, dict[str, Ints]]) -> None:
    assert compare(pack(case[0]), case[1], "drawn", digest_every=50) is None


def test_a_batch_in_pieces_equals_the_whole() -> None:
    case = Case(11, 12, 5000)
    inputs = case.inputs()
    whole = run(case.image, inputs, events=True)
    core = Core()
    core.load(case.image)
    parts = []
    for start in range(0, 5000, 700):
        part = core.run({name: column[start : start + 700] for name, column in inputs.items()}, events=True)
        part["event_tick"] = part["event_tick"] + np.uint32(start)
        parts.append(part)
    for name, expected in whole.items():
        assert np.array_equal(np.concatenate([part[name] for part in parts]), expected), name
    assert len(whole["event_tick"]) > 100


def test_constants_strides_and_tick_numbers_mean_what_they_say() -> None:
    case = Case(21, 22, 3000)
    inputs = case.inputs()
    del inputs["tick"]
    inputs |= {"shaft": np.full(3000, 4000, dtype=np.uint16), "armed": np.ones(3000, dtype=np.uint8)}
    plain = run(case.image, inputs, first=65000)
    records = np.zeros(3000, dtype=[("pad", "u1"), *((name, kind) for name, kind in INPUT_TYPES.items())])
    for name in INPUT_TYPES:
        records[name] = inputs[name]
    ticks = (np.arange(3000) + 65000) % 65536
    odd: dict[str, npt.ArrayLike] = {name: records[name] for name in INPUT_TYPES}
    odd |= {"shaft": 4000, "armed": True, "tick": ticks}
    again = run(case.image, odd)
    backward = {name: inputs[name].astype(np.int64)[::-1].copy()[::-1] for name in INPUT_TYPES}
    wide = run(case.image, backward, first=65000)
    for name in OUTPUT_TYPES:
        assert np.array_equal(plain[name], again[name]), name
        assert np.array_equal(plain[name], wide[name]), name


@pytest.mark.parametrize(
    ("change", "line"),
    [
        ({"speed": [1, 70000]}, "speed reaches from 1 to 70000; 0 to 65535 fits"),
        ({"counts": [-1, 0]}, "counts reaches from -1 to 0"),
        ({"engine": [0.5, 1.0]}, "engine holds float64 values"),
        ({"shaft": [1, 2, 3]}, "broadcast"),
        ({"boost": [1, 2]}, "the inputs are .*boost"),
    ],
)
def test_wrong_columns_are_told(change: dict[str, list[float]], line: str) -> None:
    inputs = dict.fromkeys(INPUT_TYPES, 0) | {"counts": np.zeros(2, dtype=np.uint16)} | change
    with pytest.raises(ValueError, match=line):
        run(pack(values()), inputs)


def test_a_batch_needs_an_image() -> None:
    with pytest.raises(ValueError, match="no calibration image"):
        Core().run({})
    with pytest.raises(ValueError, match="image refused, reason 1"):
        run(b"", {})


# ---- differences are found and told


class Changed(Core):
    """A core that runs from another calibration than it was given: one value is larger by one."""

    field = ""

    def load(self, image: bytes) -> int:
        changed = unpack(image)
        value = changed[self.field]
        assert isinstance(value, int)
        return super().load(pack({**changed, self.field: value + 1}))


class LongHold(Changed):
    field = "hold_ticks"


class LongSpin(Changed):
    """Wrong where no output shows it for a while."""

    field = "spin_up_ticks"


class LongKept(Changed):
    field = "fault_hold_ticks"


@pytest.mark.parametrize(
    ("make_core", "number", "field"), [(LongHold, 3, "hold_left"), (LongSpin, 9, "progress.spin_left")]
)
def test_a_difference_is_told_with_its_id_tick_field_and_context(
    make_core: type[Core], number: int, field: str
) -> None:
    case = Case(number, number, 20000)
    difference = compare(case.image, case.inputs(), case, make_core=make_core)
    assert difference is not None
    assert difference.field == field
    assert difference.core == difference.reference + 1
    lines = str(difference).splitlines()
    tick = difference.tick
    assert lines[0].startswith(f"{case}: tick {tick}: {field} is {difference.reference} in the reference")
    assert len(lines) == 1 + CONTEXT
    assert [int(line.split(":")[0]) for line in lines[1:]] == list(range(tick - 15, tick + 5))

    # The id alone makes the same inputs again, in any process.
    again = Case.parse(lines[0].split(": ")[0])
    reference = Controller()
    reference.load(again.image)
    core = make_core()
    core.load(again.image)
    inputs = again.inputs()
    for row in zip(*(inputs[name][: difference.tick + 1].tolist() for name in INPUTS), strict=True):
        reference.step(*row)
        core.step(*row)
    wrong = [found for found in state_fields(reference, core) if found[1] != found[2]]
    assert [(name.endswith(field), one, other) for name, one, other in wrong][:1] == [
        (True, difference.reference, difference.core)
    ]


def test_ids_mean_the_same_in_every_process() -> None:
    program = (
        "import binascii; from bench.twin.case import Case; c = Case.parse('twin:5:6:3000');"
        "print(binascii.crc32(c.image + b''.join(v.tobytes() for _, v in sorted(c.inputs().items()))))"
    )
    seen = set()
    for seed in ("1", "2"):
        environment = {**os.environ, "PYTHONHASHSEED": seed}
        command = [sys.executable, "-c", program]
        done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=True)
        seen.add(done.stdout)
    case = Case(5, 6, 3000)
    columns = b"".join(column.tobytes() for _, column in sorted(case.inputs().items()))
    assert seen == {f"{binascii.crc32(case.image + columns)}\n"}
    assert str(case) == "twin:5:6:3000"


@pytest.mark.parametrize("text", ["", "twin:1:2", "twin:1:2:0", "twin:a:2:3", "twin:1:2:3 ", "TWIN:1:2:3"])
def test_what_is_no_id_is_told(text: str) -> None:
    with pytest.raises(UserError, match="is no replay id; give twin:SEED:CALIBRATION_SEED:TICKS"):
        Case.parse(text)


def test_replay_takes_an_id(monkeypatch: pytest.MonkeyPatch) -> None:
    done = CliRunner().invoke(replay, ["twin:3:3:2000"])
    assert done.output == "twin:3:3:2000: reference and C core are equal in every output, event and state\n"
    assert done.exit_code == 0
    wrong = partial(compare, make_core=LongHold)
    monkeypatch.setattr("bench.twin.compare.compare", wrong)
    done = CliRunner().invoke(replay, ["twin:3:3:2000"])
    assert done.exit_code == 1
    assert done.output.startswith("twin:3:3:2000: tick ")


@pytest.mark.slow
def test_ten_million_ticks() -> None:
    assert run_long(10_000_000) is None


def test_a_long_run_stops_at_a_difference() -> None:
    done: list[int] = []
    difference = run_long(400_000, first=5, processes=1, progress=done.append, make_core=LongKept)
    assert difference is not None
    number = 5 + len(done)
    assert Case.parse(difference.where) == Case(number, number, 20_000)
    assert done == [20_000 * (i + 1) for i in range(len(done))]
