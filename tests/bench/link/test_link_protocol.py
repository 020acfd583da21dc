"""The protocol as firmware_model/PROTOCOL.md states it: its tables and worked frames against the code."""

from __future__ import annotations

import re
import struct
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.link import protocol as p
from bench.link.frames import encode
from bench.replay.run import OUTPUT_TYPES
from controller import constants
from tests import ROOT
from tests.bench.link.test_link_frames import by_hand

CODES = {"u8": "B", "u16": "H", "u32": "I", "i16": "h", "text24": "24s"}


PAGE = (ROOT / "firmware_model" / "PROTOCOL.md").read_text(encoding="utf-8")


def rows(text: str) -> list[list[str]]:
    """The cells of the table rows in a text, without heads and rules."""
    found = [re.split(r"\s*\|\s*", line)[1:-1] for line in text.splitlines() if line.startswith("|")]
    return [
        row for row in found if not set(row[0]) <= {"-"} and row[0] not in ("field", "kind", "reason", "name")
    ]


def tables() -> dict[str, list[tuple[str, str]]]:
    """Name of a message -> (field, type) in the order of its bytes."""
    found = {}
    for part in PAGE.split("\n### ")[1:]:
        name, _, rest = part.partition("\n")
        fields = [(row[0].strip("`"), row[1]) for row in rows(rest) if row[0].startswith("`")]
        found[name] = fields
    return found


TABLES = tables()


def layout(name: str) -> struct.Struct:
    return struct.Struct("<" + "".join(CODES[kind] for _, kind in TABLES[name]))


def read(name: str, data: bytes) -> tuple[dict[str, Any], bytes]:
    """The fields of a table from the front of some bytes, and the rest."""
    form = layout(name)
    values = form.unpack_from(data)
    names = [field for field, _ in TABLES[name]]
    return dict(zip(names, values, strict=True)), data[form.size :]


def worked() -> list[tuple[str, bytes, dict[str, Any]]]:
    found = []
    text = PAGE[PAGE.index("## Worked frames") :]
    for name, frame, fields in (row for row in rows(text) if row[1].startswith("`")):
        values: dict[str, Any] = {}
        for field in fields.split(", "):
            key, _, value = field.partition(" ")
            values[key] = value if key == "firmware" else int(value, 0)
        found.append((name, bytes.fromhex(frame.strip("`")), values))
    return found


def test_the_section_has_what_it_should() -> None:
    assert {"Head", "STEP", "STEP answer", "Inputs of a tick", "Outputs of a tick"} <= set(TABLES)
    assert all(TABLES.values())
    assert len(worked()) >= 7


@pytest.mark.parametrize(("name", "frame", "said"), worked(), ids=[name for name, *_ in worked()])
def test_worked_frames(name: str, frame: bytes, said: dict[str, Any]) -> None:
    """Decoded by the page's own tables, cobs and binascii, and made again by the bench."""
    payload = by_hand(frame)
    assert encode(payload) == frame
    found, body = read("Head", payload)
    if name in TABLES:
        fields, body = read(name, body)
        found |= fields
    if name == "STEP":
        fields, body = read("Inputs of a tick", body)
        found |= fields
    assert body == b""
    if "firmware" in found:
        found["firmware"] = found["firmware"].rstrip(b"\0").decode()
    assert found == said


@pytest.mark.parametrize(
    ("name", "size"),
    [
        ("Head", p.HEAD.size),
        ("HELLO", 1),
        ("HELLO answer", len(p.Greeting(1, 1, 1, 0, 128, 0, "x").pack())),
        ("PIECE", len(p.pack_piece(0, b"x")) - 1),
        ("COMMIT", len(p.pack_commit(0, 0))),
        ("COMMIT answer", 1),
        ("START answer", len(p.pack_digest(0))),
        ("STEP", p.step_payload(0) - p.HEAD.size),
        ("STEP answer", p.stepped_payload(0, 0) - p.HEAD.size),
        ("STATUS answer", len(p.Status(*[0] * 18).pack())),
        ("EVENTS", len(p.pack_events(1))),
        ("STREAM", len(p.pack_stream(1))),
        ("ERROR", len(p.pack_error(p.Reason.GAP))),
    ],
)
def test_sizes_are_those_of_the_page(name: str, size: int) -> None:
    assert layout(name).size == size


@pytest.mark.parametrize(("name", "dtype"), [("Inputs of a tick", p.INPUT), ("Outputs of a tick", p.OUTPUT)])
def test_records_are_those_of_the_page(name: str, dtype: np.dtype[Any]) -> None:
    said = [(field, np.dtype(CODES[kind]).newbyteorder("<")) for field, kind in TABLES[name]]
    fields = dtype.fields
    assert fields is not None
    assert [(field, fields[field][0]) for field in dtype.names or ()] == said
    assert dtype.itemsize == layout(name).size


def test_every_output_of_a_replay_goes_over_the_line() -> None:
    assert set(OUTPUT_TYPES) == set(p.OUTPUT.names or ())


def test_numbers_and_names_are_those_of_the_page() -> None:
    said = {int(row[0], 0): row[1] for row in rows(PAGE) if re.fullmatch(r"0x[0-9a-f]+", row[0])}
    assert said == {kind.value: kind.name for kind in p.Kind}
    reasons = {int(row[0]): row[1] for row in rows(PAGE) if row[0].isdigit()}
    assert reasons == {reason.value: reason.name for reason in p.Reason}
    assert set(p.REASON_TEXT) == set(p.Reason)


@pytest.mark.parametrize(
    ("title", "prefix", "names"),
    [
        ("States", "", ["REST", "PEAK", "HOLD", "RELEASE", "KEPT", "FAULT_RELEASE"]),
        ("Fault bits", "FAULT_", [n for n in vars(constants) if re.match("FAULT_(?!RELEASE)", n)]),
        ("Askers", "ASKER_", [n for n in vars(constants) if n.startswith("ASKER_")]),
    ],
)
def test_states_and_bits_are_those_of_the_page(title: str, prefix: str, names: list[str]) -> None:
    said = re.search(rf"^- {title}: (.*?)\.$", PAGE, re.MULTILINE | re.DOTALL)
    assert said
    pairs = [part.split(maxsplit=1) for part in said[1].split(",")]
    expected = {name.removeprefix(prefix): getattr(constants, name) for name in names}
    assert {" ".join(word.split()).upper().replace(" ", "_"): int(n) for n, word in pairs} == expected


def test_the_rates_that_the_page_names() -> None:
    """8N1: ten bit times a byte (common practice; computed: 115200 baud are 11520 bytes/s)."""

    def ticks_a_second(baud: int, ticks: int) -> float:
        answer = encode(
            p.message(0x85, 1, 0, b"\x01" * (p.stepped_payload(ticks, -(-ticks * 2 // 3)) - p.HEAD.size))
        )
        return baud / 10 / len(answer) * ticks

    assert ticks_a_second(115200, 26) == pytest.approx(300, abs=10)
    assert ticks_a_second(921600, 26) == pytest.approx(2400, abs=40)
    assert ticks_a_second(590000, 1) == pytest.approx(1000, rel=0.01)
    for largest, ticks in ((512, 13), (1024, 26)):
        assert p.stepped_payload(ticks, ticks * 2 // 3) <= largest
        assert p.stepped_payload(ticks + 1, (ticks + 1) * 2 // 3) > largest


def test_the_smallest_device_has_room() -> None:
    assert p.stepped_payload(1, 64) <= p.LEAST_LARGEST
    assert p.HEAD.size + layout("HELLO answer").size <= p.LEAST_LARGEST
    assert p.streamed_room(p.LEAST_LARGEST) >= 1


FIRST_GREETING, FIRST_STATUS = 36, 40
"""Bytes of these messages as the first devices send them."""
GREETING = p.Greeting(1, 4, 1, 1000, 512, 7, "board")
STATUS = p.Status(*range(18))
STEPPED = p.StepAnswer(1, 2, 1, np.zeros(3, p.OUTPUT), b"\x01\x02")
STREAMED = p.Streamed(5, 6, 2, np.ones(2, p.INPUT), np.ones(2, p.OUTPUT))


def test_round_trips() -> None:
    assert p.Greeting.unpack(GREETING.pack()) == GREETING
    assert p.Greeting.unpack(GREETING.pack() + b"later") == GREETING
    assert p.Status.unpack(STATUS.pack()) == STATUS
    again = p.StepAnswer.unpack(STEPPED.pack())
    assert (again.request_crc, again.digest, again.flags, again.events) == (1, 2, 1, b"\x01\x02")
    assert (again.outputs == STEPPED.outputs).all()
    streamed = p.Streamed.unpack(STREAMED.pack())
    assert (streamed.number, streamed.first, streamed.every) == (5, 6, 2)
    assert (streamed.inputs == STREAMED.inputs).all()
    assert p.unpack_commit(p.pack_commit(1624, 99)) == (1624, 99)
    assert p.unpack_piece(p.pack_piece(512, b"abc")) == (512, b"abc")
    assert p.unpack_error(p.pack_error(p.Reason.GAP, 9)) == (2, 9)
    assert p.unpack_step(p.pack_step(70000, np.zeros(2, p.INPUT), True)) == (4464, 2, 1, bytes(32))


def test_the_first_devices_still_greet_and_tell_their_status() -> None:
    """The worked greeting of the protocol's first page, byte for byte."""
    first = bytes.fromhex(
        "04 81 17 2a 01 04 01 04 01 03 e8 03 0d 02 1a f6 81 2c 62 6f 61 72 64 20 31"
        " 01 01 01 01 01 01 01 01 01 01 01 01 01 01 01 01 03 05 de 00"
    )
    greeting = p.Greeting.unpack(p.split(by_hand(first))[3])
    assert (greeting.firmware, greeting.image_crc, greeting.features) == ("board 1", 0x2C81F61A, 0x2F)
    assert not greeting.older
    status = p.Status.unpack(STATUS.pack()[:FIRST_STATUS])
    assert (status.retard, status.reason, status.notes) == (15, None, 0)
    assert status.pack() == STATUS.pack()[:FIRST_STATUS]


def test_features_and_notes_are_those_of_the_page() -> None:
    said = re.search(r"^Features: (.*?)\. A request", PAGE, re.MULTILINE | re.DOTALL)
    assert said
    bits = [int(part.split()[0]) for part in re.split(r",\s+", said[1])]
    assert bits == [feature.value for feature in p.Feature]
    older = p.Greeting.unpack(p.Greeting(1, 4, 1, 1000, 512, 7, "board", p.Feature.DIGEST, 1).pack())
    assert (older.older, older.features) == (True, p.Feature.DIGEST)


def test_status_counters_stay_at_their_greatest() -> None:
    full = p.Status.unpack(p.Status(*[1 << 40] * 16).pack())
    assert (full.ticks, full.gaps) == (0xFFFFFFFF, 0xFFFF)


@pytest.mark.parametrize(
    ("unpack", "body"),
    [
        (p.Greeting.unpack, GREETING.pack()),
        (p.Status.unpack, STATUS.pack()),
        (p.StepAnswer.unpack, STEPPED.pack()),
        (p.Streamed.unpack, STREAMED.pack()),
        (p.unpack_commit, p.pack_commit(1, 2)),
        (p.unpack_step, p.pack_step(0, np.zeros(2, p.INPUT), True)),
        (p.unpack_error, p.pack_error(p.Reason.GAP)),
        (p.unpack_digest, p.pack_digest(1)),
        (p.unpack_stream, p.pack_stream(1)),
        (p.unpack_verdict, b"\0"),
        (p.unpack_piece, p.pack_piece(0, b"x")),
    ],
)
def test_a_message_of_any_other_length_is_malformed(unpack: Any, body: bytes) -> None:
    unpack(body)
    whole = (FIRST_GREETING if unpack == p.Greeting.unpack else FIRST_STATUS, len(body))
    for length in range(len(body)):
        if unpack in (p.Greeting.unpack, p.Status.unpack) and length in whole:
            continue
        with pytest.raises(p.Malformed):
            unpack(body[:length])
    if unpack not in (p.Greeting.unpack, p.unpack_piece):
        with pytest.raises(p.Malformed):
            unpack(body + b"x")


@given(st.binary(max_size=120))
def test_any_bytes_are_a_message_or_malformed(body: bytes) -> None:
    for unpack in (p.StepAnswer.unpack, p.Streamed.unpack, p.Greeting.unpack, p.unpack_step, p.split):
        try:
            unpack(body)
        except p.Malformed:
            continue


def test_the_flag_of_a_stall_is_told_apart_from_the_answer() -> None:
    plain = STEPPED.pack()
    flagged = p.pack_step_answer(1, 2, 1 | p.STALLED, 3, STEPPED.outputs.tobytes(), STEPPED.events)
    assert p.split_stall(plain) == (plain, False)
    assert p.split_stall(flagged) == (plain, True)
    assert p.split_stall(b"") == (b"", False)


@pytest.mark.parametrize(
    ("unpack", "body", "said"),
    [
        (p.split, b"abcd", "message of 4 bytes"),
        (p.Greeting.unpack, b"abc", "greeting of 3 bytes, not 36"),
        (p.Greeting.unpack, p.Greeting(1, 0, 1, 1000, 512, 7, "x").pack(), None),
        (p.Greeting.unpack, p.Greeting(1, 4, 1, 1000, 127, 7, "x").pack(), None),
        (p.Greeting.unpack, p.Greeting(1, 4, 1, 1000, 4097, 7, "x").pack(), None),
        (p.Status.unpack, b"abc", "status of 3 bytes, not 42"),
        (p.Status.unpack, bytes(39), "status of 39 bytes, not 42"),
        (p.Status.unpack, bytes(41), "status of 41 bytes, not 42"),
        (p.Greeting.unpack, bytes(38), "end of a greeting of 2 bytes, not 3"),
        (p.unpack_events, b"\0", "events of 1 bytes, not 2"),
        (p.unpack_events, b"\0\0", "events that are none"),
        (p.unpack_commit, b"abc", "commit of 3 bytes, not 6"),
        (p.unpack_digest, b"abc", "start of 3 bytes, not 4"),
        (p.unpack_stream, b"abc", "stream of 3 bytes, not 2"),
        (p.unpack_error, b"", "error of 0 bytes, not 3"),
        (p.unpack_verdict, b"", "verdict that is not one byte"),
        (p.unpack_piece, b"ab", "piece without bytes"),
        (p.unpack_step, b"abc", "step without inputs"),
        (p.unpack_step, b"\0\0\0\0", "step whose inputs are not as many as it says"),
        (p.unpack_step, b"\0\0\1\0", "step whose inputs are not as many as it says"),
        (p.StepAnswer.unpack, bytes(11), "answer to a step without outputs"),
        (p.StepAnswer.unpack, bytes(13), "answer to a step whose outputs are not as many as it says"),
        (p.Streamed.unpack, bytes(6), "stream without ticks"),
        (p.Streamed.unpack, bytes(7), "stream whose ticks are not as many as it says"),
        (p.Streamed.unpack, b"\0\0\0\0\1\0\0", "stream whose ticks are not as many as it says"),
    ],
)
def test_what_is_malformed_is_told(unpack: Any, body: bytes, said: str | None) -> None:
    with pytest.raises(p.Malformed) as told:
        unpack(body)
    assert str(told.value) == (said or "greeting with an impossible window or largest frame")


@pytest.mark.parametrize("every", [0, 1])
@pytest.mark.parametrize("ticks", [0, 1, 2])
def test_a_stream_has_ticks_and_a_distance_between_them(every: int, ticks: int) -> None:
    body = p.Streamed(5, 6, every, np.ones(ticks, p.INPUT), np.full(ticks, 2, p.OUTPUT)).pack()
    if every == 0 or ticks == 0:
        with pytest.raises(p.Malformed):
            p.Streamed.unpack(body)
    else:
        read = p.Streamed.unpack(body)
        assert read.inputs.tobytes() == np.ones(ticks, p.INPUT).tobytes()
        assert read.outputs.tobytes() == np.full(ticks, 2, p.OUTPUT).tobytes()


def test_a_step_has_one_tick_or_more_and_says_whether_it_wants_a_digest() -> None:
    for digest in (False, True):
        one = np.ones(1, p.INPUT)
        assert p.unpack_step(p.pack_step(3, one, digest)) == (3, 1, int(digest), one.tobytes())


@pytest.mark.parametrize(("window", "largest"), [(1, 128), (1, 4096), (2, 129), (65535 % 256, 4095)])
def test_a_greeting_at_the_ends_of_what_is_possible(window: int, largest: int) -> None:
    greeting = p.Greeting(1, window, 1, 1000, largest, 7, "board")
    assert p.Greeting.unpack(greeting.pack()) == greeting


def test_the_greeting_of_another_protocol_is_read_as_it_is() -> None:
    later = p.Greeting(2, 0, 1, 1000, 1, 7, "board")
    assert p.Greeting.unpack(later.pack()) == later


def test_what_a_device_calls_itself_is_cut_and_made_fit_for_a_screen() -> None:
    assert p.Greeting.unpack(p.Greeting(1, 4, 1, 0, 512, 0, "x" * 30).pack()).firmware == "x" * 24
    assert p.Greeting.unpack(p.Greeting(1, 4, 1, 0, 512, 0, "XboardX").pack()).firmware == "XboardX"
    body = bytearray(GREETING.pack())
    body[12:17] = b"a\x1bb\xffc"
    assert p.Greeting.unpack(bytes(body)).firmware == "a?b\\xffc"


def test_an_answer_without_ticks_is_one() -> None:
    empty = p.StepAnswer.unpack(p.StepAnswer(7, 8, 0, np.zeros(0, p.OUTPUT), b"").pack())
    assert (empty.request_crc, empty.digest, len(empty.outputs), empty.events) == (7, 8, 0, b"")


def test_bodies_of_plain_numbers() -> None:
    assert p.unpack_digest(p.pack_digest(0x12345678)) == 0x12345678
    assert p.unpack_stream(p.pack_stream(513)) == 513
    assert p.unpack_error(p.pack_error(p.Reason.GAP)) == (2, 0)
    assert p.split(p.message(3, 4, 5)) == (3, 4, 5, b"")
    assert p.message(3, 4, 5) == b"\x03\x04\x00\x05\x00"


def test_room_follows_from_the_sizes_of_the_page() -> None:
    head, step, tick = (layout(name).size for name in ("Head", "STEP", "Inputs of a tick"))
    pair = tick + layout("Outputs of a tick").size
    assert p.step_payload(3) == head + step + 3 * tick
    assert p.piece_room(512) == 512 - head - layout("PIECE").size
    for largest in range(128, 1300):
        room = p.streamed_room(largest)
        assert type(room) is int
        assert head + 7 + room * pair <= largest < head + 7 + (room + 1) * pair


def test_the_flag_of_a_stall_is_looked_for_where_there_is_one() -> None:
    cut = STEPPED.pack()[: layout("STEP answer").size - 1]
    assert p.split_stall(cut) == (cut, False)
