"""The box's C: as strict compilers take it, under sanitizers, whatever comes on its line."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.blackbox.protocol import BoxKind
from bench.link.frames import Decoder, encode
from bench.link.protocol import ERROR, message, split
from firmware_model.core_sources import HERE
from tests.core_support import SANITIZED, STRICT
from tests.tools import need, run

PROBE = [HERE / "probe" / "probe.c", HERE / "link" / "frame.c"]
RUNNER = Path(__file__).with_name("probe_runner.c")


@pytest.mark.parametrize("compiler", ["gcc", "clang", "arm-none-eabi-gcc"])
def test_compilers_take_it_without_a_word(compiler: str, tmp_path: Path) -> None:
    small = ["-DLIFT_PROBE_RECORDS=64", "-DLIFT_PROBE_EDGES=64", "-DLIFT_LINK_LARGEST=128"]
    for flags in ([], small):
        for source in PROBE:
            run(*need(compiler), *STRICT, "-ffreestanding", *flags, "-c", source, "-o", tmp_path / "made.o")


def test_the_analyzer_of_gcc_finds_nothing(tmp_path: Path) -> None:
    for source in (*PROBE, HERE / "probe" / "host.c"):
        run(*need("gcc"), *STRICT, "-fanalyzer", "-O1", "-c", source, "-o", tmp_path / "made.o")


def test_it_uses_nothing_but_the_frames() -> None:
    text = (HERE / "probe" / "probe.c").read_text() + (HERE / "probe" / "probe.h").read_text()
    included = {line.split()[1] for line in text.splitlines() if line.startswith("#include")}
    assert included == {'"probe.h"', '"../link/frame.h"'}


class InC:
    """The box on a PC as a process, compiled with sanitizers."""

    def __init__(self, program: Path) -> None:
        self._running = subprocess.Popen([program], stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    def receive(self, data: bytes) -> bytes:
        assert self._running.stdin is not None
        assert self._running.stdout is not None
        self._running.stdin.write(len(data).to_bytes(2, "little") + data)
        self._running.stdin.flush()
        count = int.from_bytes(self._running.stdout.read(4), "little")
        assert self._running.poll() is None
        return self._running.stdout.read(count)

    def end(self) -> None:
        assert self._running.stdin is not None
        assert self._running.stdout is not None
        self._running.stdin.close()
        assert self._running.wait(10) == 0
        self._running.stdout.close()


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InC]:
    program = tmp_path_factory.mktemp("probe") / "runner"
    sources = [*PROBE, HERE / "probe" / "host.c", RUNNER]
    words = [*need("gcc -fsanitize=address,undefined"), *SANITIZED, "-std=c99", f"-I{HERE}", *sources]
    run(*words, "-o", program)
    made = InC(program)
    yield made
    made.end()


RECORD = st.builds(
    struct.Struct("<IBBH").pack,
    st.integers(0, 200_000),
    st.integers(0, 8),
    st.integers(0, 255),
    st.integers(0, 0xFFFF),
)
REQUESTS = st.lists(
    st.tuples(
        st.sampled_from([*BoxKind, 0x30]),
        st.one_of(st.just(b""), st.lists(RECORD, max_size=20).map(lambda rows: b"".join(sorted(rows))),
                  st.binary(max_size=30)),
        st.sampled_from([0, 0, 0, 0, -1, 3]),
    ),
    max_size=30,
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(REQUESTS, st.integers(1, 0xFFFF), st.binary(max_size=20))
def test_whatever_comes_is_answered_once_and_again_alike(
    box: InC, requests: list[tuple[int, bytes, int]], session: int, noise: bytes
) -> None:
    decoder = Decoder(1024)
    box.receive(b"\0" + encode(message(1, session, 0, b"\1")) + noise + b"\0")
    sequence = int.from_bytes(_greeted(box, session), "little")
    for kind, body, ahead in requests:
        frame = encode(message(kind, session, (sequence + ahead) & 0xFFFF, body))
        answers = [split(found) for found in decoder.feed(box.receive(frame)) if isinstance(found, bytes)]
        assert len(answers) == 1
        told = answers[0]
        if ahead == 0:
            assert told[0] in (kind | 0x80, ERROR)
            sequence = (sequence + 1) & 0xFFFF
            again = [split(found) for found in decoder.feed(box.receive(frame)) if isinstance(found, bytes)]
            assert again == [told]


def _greeted(box: InC, session: int) -> bytes:
    """The next sequence number, as the box itself says it: GAP names it."""
    answer = box.receive(encode(message(BoxKind.EDGES, session, 0x7777)))
    kind, _, _, body = split(next(found for found in Decoder(1024).feed(answer) if isinstance(found, bytes)))
    assert kind == ERROR
    return body[1:3]


def test_two_messages_of_garbage_and_a_zero_leave_it_ready(box: InC) -> None:
    box.receive(b"\x07" * 3000)
    box.receive(b"\0")
    answer = Decoder(1024).feed(box.receive(encode(message(1, 5, 0, b"\1"))))
    assert len(answer) == 1
