"""A desk to test: its server in a thread, or the whole program as a process, and ways to talk to either."""

from __future__ import annotations

import copy
import http.client
import json
import os
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from click.testing import CliRunner
from websockets.sync.client import ClientConnection, connect

from bench.desk.desk import Desk
from bench.desk.server import listen, make_app, make_server
from bench.desk.session import Session
from bench.desk.source import Source
from bench.replay.command import replay
from bench.replay.inputs import Options
from bench.trace.read import read_trace
from tests import ROOT

TRACES = ROOT / "traces"
TOKEN = "a-token-of-the-test"


def copy_of_demo(folder: Path, name: str = "car.toml") -> Path:
    """The demo calibration under another name, to change."""
    return Path(shutil.copy(TRACES / "plain.toml", folder / name))


def without_names(trace: str = "clean_launch") -> str:
    """A demo run as a logger writes it that knows no units and no names."""
    rows = (TRACES / f"{trace}.csv").read_text().splitlines()
    return "\n".join(["Stamp,Ch 1,Ch 2,Ch 3,Ch 4,Armed,Launch", *rows[2:]]) + "\n"


def recorded(trace: str = "clean_launch") -> Source:
    """A demo run, without a car."""
    return Source(read_trace(TRACES / f"{trace}.csv"), Options(), None)


@dataclass(frozen=True)
class Served:
    """A desk whose server runs in a thread of this process."""

    session: Session
    port: int

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def get(self, path: str, method: str = "GET", **headers: str) -> tuple[int, dict[str, str], bytes]:
        """Status, headers and body; the path is sent as it is."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            connection.putrequest(method, path, skip_host="Host" in headers)
            for name, value in headers.items():
                connection.putheader(name, value)
            connection.endheaders()
            answer = connection.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read()
        finally:
            connection.close()

    def live(self, *, token: str = TOKEN, host_name: str = "127.0.0.1", **options: Any) -> ClientConnection:
        """A websocket as the page opens it; `host_name` is what it believes the host to be called."""
        reached = socket.create_connection(("127.0.0.1", self.port), 20)
        options = {"origin": self.origin, "sock": reached, **options}
        return connect(f"ws://{host_name}:{self.port}/{token}/live", max_size=None, **options)


@contextmanager
def serving(desk: Any) -> Iterator[int]:
    """Serve a desk, or what is served like one, until the block ends; its port."""
    with listen(0) as listening:
        port = int(listening.getsockname()[1])
        server = make_server(make_app(desk, port, TOKEN))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield port
        finally:
            server.should_exit = True
            thread.join(20)
    assert not thread.is_alive()


@contextmanager
def served(session: Session, source: Source) -> Iterator[Served]:
    """Serve a desk until the block ends."""
    with serving(Desk(session, source)) as port:
        yield Served(session, port)


class Page:
    """What a page does, without a browser: asks, and takes the state that answers."""

    def __init__(self, connection: ClientConnection) -> None:
        self.connection = connection
        self.id = 0
        self.said: list[dict[str, Any]] = []
        self.logs: dict[str, Any] = {}
        self._has: dict[str, Any] = {}
        self.state = self.next_state(0)

    def next_state(self, heard: int) -> dict[str, Any]:
        """The next state that takes in request number `heard`."""
        while True:
            message: dict[str, Any] = json.loads(self.connection.recv(timeout=20))
            if message["kind"] == "said":
                self.said.append(message)
            elif message["kind"] == "logs":
                self.logs = message
            elif (state := self._with(message))["heard"] >= heard:
                self.state = state
                return state

    def _with(self, message: dict[str, Any]) -> dict[str, Any]:
        """What the page has, with what is new; without a result where the state has none."""
        for path in message["gone"]:
            below = self._has
            for key in path[:-1]:
                below = below[key]
            del below[path[-1]]
        for path, value in message["new"]:
            below = self._has
            for key in path[:-1]:
                if not isinstance(below.get(key), dict):
                    below[key] = {}
                below = below[key]
            below[path[-1]] = value
        state = copy.deepcopy(self._has)
        if not message["fresh"]:
            state.pop("result", None)
        return state

    def ask(self, what: str, **more: Any) -> dict[str, Any]:
        """Ask for something; gives the state after it."""
        self.id += 1
        self.connection.send(json.dumps({"do": what, "id": self.id, **more}))
        return self.next_state(self.id)

    def refused(self, what: str, **more: Any) -> dict[str, Any]:
        """Ask for something that is refused; gives what is said."""
        return self.said_to(json.dumps({"do": what, "id": 0, **more}))

    def said_to(self, message: str | bytes) -> dict[str, Any]:
        """What is said to a message that cannot be followed."""
        self.connection.send(message)
        while True:
            answer: dict[str, Any] = json.loads(self.connection.recv(timeout=20))
            if answer["kind"] == "state":
                self._with(answer)
            if answer["kind"] == "said":
                assert not answer.get("fine"), answer
                return answer

    @staticmethod
    def figures(state: dict[str, Any]) -> dict[str, Any]:
        """The bare numbers of a result by their keys."""
        return {one["key"]: one["value"] for one in state["result"]["figures"]}


def replayed(calibration: Path, trace: str = "clean_launch") -> dict[str, Any]:
    """What `liftlatch replay --json` says of a calibration's file."""
    asked = [str(TRACES / f"{trace}.csv"), "--calibration", str(calibration), "--json"]
    done = CliRunner().invoke(replay, asked, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    facts: dict[str, Any] = json.loads(done.stdout)
    return facts


def same_as_replay(figures: dict[str, Any], facts: dict[str, Any]) -> None:
    """Hold the desk's figures of the first launch against those of a replay."""
    mine = [item for item in facts["interventions"] if item["launch"] == 1]
    launch = facts["launches"][0]
    assert figures["cut"] == launch["greatest_reduction_permille"] / 10
    assert figures["taken"] == launch["full_cut_s"]
    assert figures["lift"] == launch["greatest_lift_mm"]
    assert figures["interventions"] == len(mine)
    assert figures["left"] == 100 * launch["estimated_share_left"]
    assert figures["retard"] == max([item["peak_retard_ddeg"] for item in mine], default=0) / 10
    assert figures["changes"] == launch["command_changes"]
    end = round(mine[-1]["since_launch_s"] + mine[-1]["duration_s"], 6) if mine else None
    assert figures["back"] == (None if mine and mine[-1]["open_end"] else end)


class Program:
    """`liftlatch desk` as a process of its own."""

    def __init__(self, state: Path, *arguments: str | Path, cwd: Path | None = None) -> None:
        command = [sys.executable, "-c", "from bench.cli import main; main()", "desk", *map(str, arguments)]
        environment = {**os.environ, "XDG_STATE_HOME": str(state), "PYTHONPATH": str(ROOT)}
        self.process = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
            cwd=cwd or ROOT,
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        if not line.startswith("desk at "):
            _, errors = self.process.communicate(timeout=20)
            raise AssertionError(f"no address but {line!r}\n{errors}")
        self.address = line.removeprefix("desk at ").strip()
        self.root = self.address[: self.address.index("/", len("http://"))]

    def end(self, number: int) -> tuple[int, str]:
        """Send a signal; gives the exit code and what was said on standard error."""
        self.process.send_signal(number)
        _, errors = self.process.communicate(timeout=30)
        return self.process.returncode, errors

    def __enter__(self) -> Program:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate(timeout=30)


def wait_for(what: Any, seconds: float = 20) -> None:
    """Wait until a thing comes true."""
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until, "it did not come"
        time.sleep(0.02)
