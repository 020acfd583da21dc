"""The device's side of the protocol in C against the model in Python, byte for byte, under sanitizers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.calibration.image import pack
from bench.device.behaviour import Behaviour
from bench.link import protocol as p
from bench.link.frames import encode, stuffed_bytes
from bench.link.host import DeviceError, Host
from bench.link.memory import MemoryLine
from bench.link.target import RemoteTarget
from bench.verify.compare import Options, compare, plan
from bench.verify.source import TraceSource
from controller import Controller
from firmware_model.core_sources import CORE, HERE, core_files
from tests import ROOT
from tests.bench.link.test_link_frames import COBS_TABLE, by_hand
from tests.core_support import SANITIZED, STRICT
from tests.firmware_model.test_core_code import complaints
from tests.link_support import IMAGE, InC, Untimed, local, run_inputs
from tests.support import values
from tests.tools import need, run

PORTABLE = sorted([*(HERE / "link").glob("*.[ch]"), *(HERE / "store").glob("*.[ch]")])
LINK = sorted((HERE / "link").glob("*.c"))


# -- what a host may send, good and bad: a list of operations

BODIES = st.one_of(
    st.binary(max_size=40),
    st.just(b""),
    st.builds(
        p.pack_piece, st.sampled_from([0, 512, 1024, 1500, 1623, 1624, 65535]), st.binary(max_size=120)
    ),
    st.builds(p.pack_commit, st.sampled_from([0, 12, len(IMAGE), 1625]), st.integers(0, 0xFFFFFFFF)),
    st.builds(
        lambda first, ticks, events, digest: p.pack_step(first, _ticks(ticks, events), digest),
        st.integers(0, 65535),
        st.integers(1, 30),
        st.sampled_from([0, 1, 3, 200]),
        st.booleans(),
    ),
    st.builds(p.pack_stream, st.integers(0, 9)),
    st.builds(p.pack_events, st.sampled_from([0, 1, 9, 1019, 1020])),
)


def _ticks(count: int, events: int) -> p.Records:
    made = run_inputs(100)[:count].copy()
    made["events"] = 0
    made["events"][0] = events
    return made


PAYLOADS = st.tuples(
    st.sampled_from([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 0x85, 0xFF]),
    st.sampled_from(["session", "session", "session", "session", "zero", "other"]),
    st.sampled_from([0, 0, 0, 0, 0, -1, -2, -8, -9, 1, 5, 40000]),  # from the next one on
    BODIES,
)
OPERATIONS = st.lists(
    st.one_of(
        PAYLOADS,
        PAYLOADS,
        st.sampled_from(["load", "start", "step", "step", "status", "wrap"]),
        st.integers(0, 400),  # milliseconds pass
        st.binary(max_size=30),  # bytes that are no frame
        st.sampled_from([b"\0", b"\1\0", b"\x05\1\2\0", b"\x02" * 1500, b"\x02" * 1029 + b"\0"]),
        st.sampled_from(["long", "longest", "split", "flip"]),
    ),
    max_size=25,
)


class Talk:
    """Turns operations into bytes, and keeps the sequence numbers."""

    def __init__(self) -> None:
        self.session = 7
        self.sequence = 0
        self.mangle = ""

    def frame(self, kind: int, body: bytes = b"", ahead: int = 0, session: str = "session") -> bytes:
        number = {"session": self.session, "zero": 0, "other": 9}[session]
        frame = encode(p.message(kind, number, (self.sequence + ahead) & 0xFFFF, body))
        if self.mangle == "flip":
            frame = bytes([frame[0], frame[1] ^ 4]) + frame[2:]
        elif kind == 1 and session == "other" and len(body) == 1:
            self.session, self.sequence = 9, 0
        elif ahead == 0 and number == self.session and kind not in (1, 7):
            self.sequence += 1
        self.mangle = ""
        return frame

    def bytes_of(self, operation: Any) -> bytes:
        if isinstance(operation, bytes):
            return operation
        if isinstance(operation, tuple):
            kind, session, ahead, body = operation
            return self.frame(kind, body, ahead, session)
        if operation in ("split", "flip"):
            self.mangle = operation
            return b""
        if operation in ("long", "longest"):
            ticks = (p.LARGEST // 4 - p.step_payload(0)) // p.INPUT.itemsize + (operation == "longest")
            return self.frame(5, p.pack_step(0, _ticks(ticks, 0), False))
        if operation == "load":
            pieces = [p.pack_piece(at, IMAGE[at : at + 512]) for at in range(0, len(IMAGE), 512)]
            sent = b"".join(self.frame(2, piece) for piece in pieces)
            return sent + self.frame(3, p.pack_commit(len(IMAGE), _crc(IMAGE)))
        if operation == "wrap":
            return b"".join(self.frame(6) for _ in range(9))
        body = p.pack_step(self.sequence, _ticks(20, 2), True) if operation == "step" else b""
        return self.frame({"start": 4, "step": 5, "status": 6}[operation], body)


def _crc(data: bytes) -> int:
    import binascii

    return binascii.crc32(data)


@pytest.mark.rule("W2")
@given(operations=OPERATIONS, cut=st.integers(1, 64))
@settings(max_examples=150)
def test_both_sides_answer_with_the_same_bytes(shared: InC, operations: list[Any], cut: int) -> None:
    """Whatever a host sends, the model's and the C side's answers are equal, and so are the counters."""
    shared.receive(b"\0")
    shared.power_up()
    model, talk, now = Untimed(Controller), Talk(), 0
    for device in (model, shared):
        device.tell_time(0)
    opening = talk.frame(1, b"\1")
    given = [opening, *operations, encode(p.message(6, 9, 0)), talk.frame(6)]
    if "split" in operations:
        given.append(b"\0")
    for operation in given:
        if isinstance(operation, int):
            now += operation
            for device in (model, shared):
                device.tell_time(now)
            continue
        data = operation if operation is opening else talk.bytes_of(operation)
        for at in range(0, len(data), cut if "split" in operations else 1 << 16):
            piece = data[at : at + (cut if "split" in operations else 1 << 16)]
            answered = shared.receive(piece)
            assert answered == model.receive(piece)
            for frame in answered.split(b"\0")[:-1]:
                by_hand(frame + b"\0")  # cobs and the standard library agree with its framing
        if model.session == 0:  # it was powered up anew: so begins the conversation
            talk = Talk()
            for device in (model, shared):
                device.tell_time(now)
            hello = talk.frame(1, b"\1")
            assert shared.receive(hello) == model.receive(hello)


@pytest.fixture(scope="module")
def shared(program: Path) -> Iterator[InC]:
    device = InC(program)
    yield device
    device.close()


def remote(device: Any, rates: dict[str, float] | None = None, session: int = 7) -> RemoteTarget:
    return RemoteTarget(Host(MemoryLine(Behaviour(device, rates, 3)), session))


@pytest.mark.rule("W2")
@pytest.mark.parametrize(
    "rates",
    [
        {},
        {"drop": 0.1},
        {"flip": 0.1},
        {"duplicate": 0.3},
        {"split": 0.5, "delay": 0.1},
        {"garbage": 0.2, "drop": 0.05, "flip": 0.05, "duplicate": 0.1},
    ],
    ids=str,
)
def test_a_run_over_a_bad_line_is_equal(in_c: InC, rates: dict[str, float]) -> None:
    target = remote(in_c, rates)
    assert target.load(IMAGE) == 0
    inputs = run_inputs(1500)
    options = Options(window=8)
    steps = plan(TraceSource(inputs), local(), target.greeting.largest, options)
    tally = compare(target, steps, TraceSource(inputs), local().start(), options)
    assert (tally.difference, tally.error, tally.ticks) == (None, None, 1500)
    assert tally.digests == tally.frames
    assert target.status().ticks == 1500


@pytest.mark.rule("W2")
@pytest.mark.slow
def test_sequence_numbers_and_the_kept_answers_wrap(in_c: InC) -> None:
    target = remote(in_c)
    for _ in range(65530):
        target.host.ask(p.Kind.STREAM, p.pack_stream(0))
    for _ in range(12):
        first = target.host.ask(p.Kind.STATUS)
        assert target.host.again() == first
    assert target.status().gaps == 0


@pytest.mark.rule("W1")
def test_frames_as_published(in_c: InC) -> None:
    """Payloads that hold the plain bytes of the published table, and frames of the greatest length."""
    remote(in_c)
    for sequence, (plain, _) in enumerate(COBS_TABLE):
        heard = by_hand(in_c.receive(encode(p.message(0x55, 7, sequence, plain))))
        assert heard == p.message(p.ERROR, 7, sequence, p.pack_error(p.Reason.UNKNOWN))
    length = stuffed_bytes(1024 + 2)
    assert in_c.receive(b"\x01" * length + b"\0" + b"\x01" * (length + 1) + b"\0") == b""
    status = remote(in_c, session=8).status()
    assert (status.long, status.malformed) == (1, len(COBS_TABLE))
    assert status.crc == 1  # of zeros only


def test_a_calibration_that_cannot_be_kept_changes_nothing(in_c: InC) -> None:
    target = remote(in_c)
    assert target.load(IMAGE) == 0
    crc = target.greeting.image_crc
    in_c.can_keep(False)
    with pytest.raises(DeviceError, match="its memory for the calibration failed"):
        target.load(pack(values(hold_ticks=7)))
    again = remote(in_c, session=8)
    assert again.greeting.image_crc == crc
    again.start()
    assert (again.run(0, run_inputs(100)).outputs == local().run(0, run_inputs(100)).outputs).all()


def test_a_calibration_kept_at_an_odd_place_does_not_become_active(in_c: InC) -> None:
    """As the porting page says: verdict 7, the old one stays active, and a run must be started anew."""
    target = remote(in_c)
    assert target.load(IMAGE) == 0
    target.start()
    crc = target.greeting.image_crc
    in_c.keep_at_an_odd_place()
    assert target.load(pack(values(hold_ticks=7))) == 7
    assert remote(in_c, session=8).greeting.image_crc == crc
    again = remote(in_c, session=9)
    with pytest.raises(DeviceError, match="it was not started"):
        again.run(0, run_inputs(100))
    again.start()
    assert (again.run(0, run_inputs(100)).outputs == local().run(0, run_inputs(100)).outputs).all()


def test_ticks_of_its_own_are_shown_to_a_host_that_asks(in_c: InC) -> None:
    target = remote(in_c)
    assert target.load(IMAGE) == 0
    target.start()
    reference = Controller()
    reference.load(IMAGE)
    shown = []
    for tick in range(30):
        if tick == 10:
            target.host.ask(p.Kind.STREAM, p.pack_stream(3))
        row = bytes([tick, 66, tick, 1, 5, 2]) + bytes(10)
        reference.step(tick, 66 * 16, tick, 1, 0, 0, 1, 1, 5, 0, 0)
        sent = in_c.show(row)
        assert bool(sent) == (tick >= 10 and (tick - 10) % 3 == 0)
        if sent:
            kind, session, sequence, body = p.split(by_hand(sent))
            assert (kind, session, sequence) == (p.TICKS, 7, 0)
            streamed = p.Streamed.unpack(body)
            assert streamed.inputs["counts"].tolist() == [66 * 16]
            assert streamed.inputs["switches"].tolist() == [7]
            assert streamed.inputs["events"].tolist() == [2]
            assert streamed.outputs["reduction"].tolist() == [reference.command.reduction]
            assert streamed.outputs["faults"].tolist() == [reference.faults]
            shown.append((streamed.number, streamed.first, streamed.every))
    assert shown == [(number, 10 + 3 * number, 3) for number in range(7)]
    target.host.ask(p.Kind.STREAM, p.pack_stream(0))
    assert in_c.show(bytes(16)) == b""


@pytest.mark.parametrize("path", PORTABLE, ids=lambda path: path.name)
def test_link_and_store_keep_to_the_language_of_the_core(path: Path) -> None:
    text = path.read_text().replace("const char *", "const uint8_t *").replace("typedef char ", "typedef ")
    assert complaints(text) == []


@pytest.mark.parametrize("compiler", ["gcc", "gcc -m32", "clang", "clang -m32"])
@pytest.mark.parametrize("sizes", [(1024, 8), (128, 1), (4096, 255)], ids=str)
def test_link_and_store_compile_without_a_warning(
    compiler: str, sizes: tuple[int, int], tmp_path: Path
) -> None:
    sources = [path for path in PORTABLE if path.suffix == ".c"]
    flags = [f"-DLIFT_LINK_LARGEST={sizes[0]}", f"-DLIFT_LINK_WINDOW={sizes[1]}", "-Os", "-ffreestanding"]
    for source in sources:
        run(*need(compiler), *STRICT, *flags, f"-I{CORE}", "-c", source, "-o", tmp_path / f"{source.stem}.o")


@pytest.mark.slow
def test_the_smallest_device_answers_a_tick_with_many_events(tmp_path: Path) -> None:
    sources = [*core_files(), *LINK, ROOT / "tests" / "firmware_model" / "link_device.c"]
    made = tmp_path / "small"
    small = ["-DLIFT_LINK_LARGEST=128", "-DLIFT_LINK_WINDOW=1"]
    run(
        *need("gcc -fsanitize=address,undefined"),
        *SANITIZED,
        "-std=c99",
        *small,
        f"-I{HERE}",
        *sources,
        "-o",
        made,
    )
    device = InC(made)
    target = remote(device)
    assert (target.greeting.largest, target.greeting.window) == (128, 1)
    assert target.load(IMAGE) == 0
    target.start()
    inputs = run_inputs(300)
    inputs["events"][150] = 64
    assert (target.run(0, inputs).outputs == local().run(0, inputs).outputs).all()
    assert np.frombuffer(target.run(300, inputs[:1]).outputs.tobytes(), p.OUTPUT)["faults"][0] >= 0
    device.close()
