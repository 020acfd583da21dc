"""The live stand without a browser: what feeds it, and what its pages are sent."""

from __future__ import annotations

import json
import subprocess
import threading
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from click.testing import CliRunner
from websockets.exceptions import InvalidStatus
from websockets.sync.client import ClientConnection, connect

from bench.calibration import load
from bench.cli import liftlatch
from bench.desk.guard import Guard
from bench.device.behaviour import Behaviour, Player
from bench.device.simulated import Device
from bench.errors import UserError
from bench.link.host import Host
from bench.link.memory import MemoryLine
from bench.link.protocol import INPUT, OUTPUT, Records
from bench.link.reading import Reading
from bench.link.target import LocalTarget, RemoteTarget
from bench.stand.board import lines
from bench.stand.feed import ByHand, Feed, Plays, Streams, Ticks, Turned
from bench.stand.live import Live
from bench.stand.nose import Nose
from bench.stand.steps import STEPS
from controller import Controller
from controller import constants as c
from firmware_model.binding import OUTPUT_TYPES
from tests import ROOT
from tests.bench.verify.test_verify_command import PROGRAM
from tests.desk_support import TOKEN, serving
from tests.link_support import remote
from tests.vehicle_support import CALIBRATION_PATH

PLAIN = load(CALIBRATION_PATH)
Ints = npt.NDArray[np.int64]


def hold_script() -> Records:
    nose = Nose(PLAIN)
    (step,) = (one for one in STEPS if one.name == "hold")
    assert step.script is not None
    nose.stay(300)
    step.script(nose)
    return nose.records()


def stepped(records: Records) -> Records:
    """What the reference makes of inputs, from power-up."""
    target = LocalTarget(Controller())
    assert target.load(PLAIN.image) == 0
    target.start()
    return target.run(0, records).outputs


def local() -> LocalTarget:
    target = LocalTarget(Controller())
    assert target.load(PLAIN.image) == 0
    return target


def open_page(port: int, token: str = TOKEN, **options: Any) -> ClientConnection:
    options = {"origin": f"http://127.0.0.1:{port}", "max_size": None, **options}
    return connect(f"ws://127.0.0.1:{port}/{token}/live", **options)


def live(feed: Feed) -> Live:
    return Live(feed, PLAIN, "0.0", "a test", 1)


def gathered(page: ClientConnection, n: int) -> tuple[Ints, Ints, list[int]]:
    """The first n ticks that a page is sent: inputs, outputs, events."""
    inputs: list[int] = []
    outputs: list[int] = []
    events: list[int] = []
    while len(inputs) < 5 * n:
        message = json.loads(page.recv(timeout=20))
        if message["kind"] == "ticks":
            assert not message["lost"]
            inputs += message["inputs"]
            outputs += message["outputs"]
            events += message["events"] or []
    return np.array(inputs).reshape(-1, 5)[:n], np.array(outputs).reshape(-1, len(OUTPUT_TYPES))[:n], events


def column(outputs: Ints, name: str) -> Ints:
    return outputs[:, list(OUTPUT_TYPES).index(name)]


@pytest.mark.slow
def test_a_hold_of_300_ms_in_the_stream_is_300_ticks() -> None:
    """The plain calibration says hold_ms = 300 at a tick of 1 ms; a device that runs by itself streams it."""
    records = hold_script()[:5000]
    player = Player(Controller(), PLAIN.image, records)
    line = MemoryLine(Behaviour(Device(Controller, image=PLAIN.image), player=player))
    host = Host(line, 7)
    assert host.hello().image_crc == PLAIN.crc
    feed = Streams(RemoteTarget(host))
    waiting = threading.Event()
    run = feed.run

    def begin_when_seen(put: Any, ended: threading.Event) -> None:
        waiting.wait(20)  # the line's time is virtual: all of it would be over before the page is there
        run(put, ended)

    feed.run = begin_when_seen  # type: ignore[method-assign]
    with serving(live(feed)) as port, open_page(port) as page:
        assert json.loads(page.recv(timeout=20)) == {"kind": "hello", "hand": False}
        waiting.set()
        inputs, outputs, _ = gathered(page, 4000)
    n = len(inputs)
    assert np.array_equal(inputs[:, 0], records["counts"][:n])
    latched, demand = column(outputs, "latched"), column(outputs, "demand")
    fell = int(np.flatnonzero(np.diff(latched) < 0)[0]) + 1
    peak = latched[fell - 1]
    assert fell - 1 - np.flatnonzero(demand[:fell] == peak)[-1] == 300


def test_a_recording_is_played_in_real_time() -> None:
    _, _, records = Reading().inputs(ROOT / "traces" / "clean_launch.csv", PLAIN)
    records = records[:600]
    with serving(live(Plays(local(), records, PLAIN.tick_us))) as port, open_page(port) as page:
        inputs, outputs, events = gathered(page, 300)
        while (message := json.loads(page.recv(timeout=20)))["kind"] != "ended":
            pass
    assert message["text"] == "The recording has ended."
    start = int(np.flatnonzero(records["counts"] == inputs[0, 0])[0])  # the page may have come a moment late
    right = stepped(records)
    for name in OUTPUT_TYPES:
        part = right[name].astype(np.int64)
        assert any(np.array_equal(column(outputs, name), part[at : at + 300]) for at in range(start, 301)), (
            name
        )
    assert events  # the engine runs in it


def test_the_hand_of_a_page_steps_the_controller_tick_by_tick() -> None:
    records = hold_script()[:2500]
    rows = np.stack([
        records["counts"], records["speed"], np.full(len(records), 3000),
        (records["switches"] & 2) != 0, (records["switches"] & 4) != 0,
    ], axis=1).astype(int)  # fmt: skip
    with serving(live(ByHand(local()))) as port, open_page(port) as page, open_page(port) as other:
        assert json.loads(page.recv(timeout=20))["hand"]
        assert not json.loads(other.recv(timeout=20))["hand"]
        other.send(json.dumps({"do": "ticks", "inputs": [1, 2, 3, 1, 1] * 50}))  # nobody asked that page
        for part in np.array_split(rows, 60):
            page.send(json.dumps({"do": "ticks", "inputs": part.ravel().tolist()}))
        inputs, outputs, events = gathered(page, len(rows))
        seen, told, _ = gathered(other, len(rows))
    assert np.array_equal(inputs, rows)
    assert np.array_equal(seen, rows)
    assert np.array_equal(told, outputs)
    given = Turned(PLAIN.number("cylinders"), PLAIN.tick_us).inputs(rows.ravel().tolist())
    right = stepped(given)
    for name in OUTPUT_TYPES:
        assert np.array_equal(column(outputs, name), right[name]), name
    assert column(outputs, "reduction").max() > 0
    # 3000 rpm are 25 cycles a second, of 8 events each
    assert len(events) == int(given["events"].sum()) == len(rows) * 25 * 8 // 1000


@pytest.mark.parametrize(
    "text",
    [
     "", "nonsense", "[]", "1", '{"do": "ticks"}', '{"do": "ticks", "inputs": 5}', '{"do": "load"}',
     '{"do": "ticks", "inputs": [1, 2, 3]}', '{"do": "ticks", "inputs": [1, 2, 3, 4, 70000]}',
     '{"do": "ticks", "inputs": [1.5, 2, 3, 4, 5]}', '{"do": "ticks", "inputs": ["1", 2, 3, 4, 5]}',
     "[" * 5000,
    ],
)  # fmt: skip
def test_nonsense_moves_nothing(text: str) -> None:
    feed = ByHand(local())
    given: list[Records] = []
    feed.give = given.append  # type: ignore[method-assign]
    with serving(live(feed)) as port, open_page(port) as page:
        page.recv(timeout=20)
        page.send(text)
        page.send(json.dumps({"do": "ticks", "inputs": [1065, 0, 0, 0, 0]}))
        while not given:
            page.ping().wait(5)
    assert [len(one) for one in given] == [1]


def told(page: ClientConnection, kind: str) -> dict[str, Any]:
    while True:
        message: dict[str, Any] = json.loads(page.recv(timeout=20))
        if message["kind"] == kind:
            return message


def test_a_changed_calibration_is_loaded_in_two_steps(tmp_path: Path) -> None:
    file = tmp_path / "car.toml"
    file.write_text(PLAIN.text, encoding="utf-8")
    target, _, _ = remote(Controller)
    assert target.load(PLAIN.image) == 0
    stand = Live(ByHand(target), load(file), "0.0", "a test", 1)
    with serving(stand) as port, open_page(port) as page:
        file.write_text(PLAIN.text.replace("hold_ms = 300 ", "hold_ms = 200 "), encoding="utf-8")
        page.send(json.dumps({"do": "load", "on_stands": False}))
        assert "say first that the car is on stands" in told(page, "said")["text"]
        assert target.greeting.image_crc == PLAIN.crc
        page.send(json.dumps({"do": "load", "on_stands": True}))
        told(page, "reload")
        assert target.greeting.image_crc == load(file).crc != PLAIN.crc
        assert f"CRC-32 {load(file).crc:08x}".encode() in stand.files["index.html"][1]
        file.write_text("[sensor]\n", encoding="utf-8")
        page.send(json.dumps({"do": "load", "on_stands": True}))
        assert told(page, "said")["text"].startswith("Not loaded: ")
    assert target.greeting.image_crc != PLAIN.crc


def test_an_armed_device_that_streams_refuses_another_calibration(tmp_path: Path) -> None:
    target, _, _ = remote(Controller)
    assert target.load(PLAIN.image) == 0
    target.start()
    armed = np.zeros(5, INPUT)
    armed["switches"] = 7
    target.run(0, armed)
    target._own_run = False  # as if another machine had armed it
    file = tmp_path / "car.toml"
    file.write_text(PLAIN.text, encoding="utf-8")
    stand = Live(Streams(target), load(file), "0.0", "a test", 1)
    with serving(stand) as port, open_page(port) as page:
        page.send(json.dumps({"do": "load", "on_stands": True}))
        assert "armed, or torque is taken" in told(page, "said")["text"]


def test_nothing_is_loaded_from_elsewhere(tmp_path: Path) -> None:
    target = local()
    stand = Live(ByHand(target), PLAIN, "0.0", "a test", 1, loads=False)
    with serving(stand) as port, open_page(port) as page:
        page.send(json.dumps({"do": "load", "on_stands": True}))
        assert told(page, "said")["text"].startswith("Not loaded")


def test_only_a_page_with_the_token_is_let_in() -> None:
    with serving(live(ByHand(local()))) as port:
        with pytest.raises(InvalidStatus):
            open_page(port, token="another")
        with pytest.raises(InvalidStatus):
            open_page(port, origin="http://elsewhere.example")


def test_another_address_of_this_machine_only_where_it_is_asked_for() -> None:
    def status(guard: Guard, host: str) -> int:
        scope = {"type": "http", "path": "/token/", "headers": [(b"host", host.encode())]}
        return guard._judge(scope)

    inside = Guard(None, 8000, "token")
    asked = Guard(None, 8000, "token", "192.0.2.7")  # RFC 5737: an address for examples
    assert status(inside, "127.0.0.1:8000") == 0
    assert status(inside, "192.0.2.7:8000") == 403
    assert status(asked, "192.0.2.7:8000") == 0
    assert status(asked, "127.0.0.1:8000") == 403


def test_a_board_of_a_terminal_answers_at_one_glance() -> None:
    outputs = np.zeros(1, OUTPUT)
    outputs["lift"], outputs["reduction"], outputs["latched"] = 250 * 16, 375, 375
    outputs["state"], outputs["hold_left"], outputs["reason"], outputs["launched"] = c.HOLD, 120, 1, 1
    outputs["elapsed_ms"] = 1500
    text = lines(PLAIN, Ticks(np.zeros(1, INPUT), outputs, None))
    assert all(len(line) < 80 for line in text)
    whole = "\n".join(text)
    for words in (
        "250.0 mm", "may go to   200 mm", "full at 320 mm", "37.5 %", "lift",
        "hold, 120 ms of the hold left", "sensor   healthy", "launched 1.5 s ago",
    ):  # fmt: skip
        assert words in whole
    outputs["faults"], outputs["launched"] = c.FAULT_SENSOR, 0
    whole = "\n".join(lines(PLAIN, Ticks(np.zeros(1, INPUT), outputs, None)))
    assert "too many samples not used" in whole
    assert "not armed" in whole


@pytest.mark.slow
def test_on_a_terminal_a_recording_is_drawn_until_its_end(tmp_path: Path) -> None:
    trace = tmp_path / "short.csv"
    text = (ROOT / "traces" / "clean_launch.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    trace.write_text("".join(text[:500]), encoding="utf-8")
    words: list[str | Path] = [
        *PROGRAM,
        "stand",
        "--terminal",
        "--plays",
        trace,
        "--calibration",
        CALIBRATION_PATH,
    ]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.count("sensor   healthy") >= 2
    assert all(len(line) < 80 for line in done.stdout.splitlines())


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (["--terminal"], "nobody can lift a nose on a terminal"),
        (["--out", "x.html", "--plays", "x.csv"], "--plays: is for the live stand"),
        (["--check", "--emulated", "--network", "192.0.2.7"], "--network: is for the live stand"),
        (["--json"], "--json: is for --out and --check"),
        (["--port", "x", "--emulated", "--terminal"], "needs one of the two"),
        (["--network", "192.0.2.7"], "the port cannot be had"),
    ],
)
def test_wrong_words_are_one_line(words: list[str], what: str) -> None:
    done = CliRunner().invoke(liftlatch, ["stand", *words])
    assert isinstance(done.exception, UserError), done.output
    assert what in str(done.exception)
