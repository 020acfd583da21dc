"""What many connections may take from the desk's server; the flood itself is in tests/faults."""

from __future__ import annotations

import logging
import os
import socket
import time
from pathlib import Path

import pytest

from bench.desk import crowd
from bench.desk.crowd import QuietLog
from bench.desk.session import Session
from tests.desk_support import copy_of_demo, recorded, served


def test_a_request_that_drips_ends_by_its_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr(crowd, "_REQUEST_S", 0.4)
    with served(Session(copy_of_demo(tmp_path)), recorded()) as desk:
        for head in (b"GET / HTTP/1.1\r\nA: ", b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 99\r\n\r\n"):
            with socket.create_connection(("127.0.0.1", desk.port), 5) as one:
                one.sendall(head)
                began = time.monotonic()
                with pytest.raises((BrokenPipeError, ConnectionResetError)):
                    while time.monotonic() < began + 5:
                        one.sendall(b"x")
                        time.sleep(0.05)
                assert 0.2 < time.monotonic() - began < 3


def test_the_log_says_each_thing_once_and_waits_for_nobody(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    log = QuietLog()
    record = logging.LogRecord("x", logging.ERROR, "", 0, "a thing", None, None)
    for _ in range(3):
        log.handle(record)
    until = time.monotonic() + 5
    while not (said := capfd.readouterr().err):
        assert time.monotonic() < until
    assert said == "liftlatch: a thing\n"
    reads, writes = os.pipe()
    monkeypatch.setattr(os, "write", lambda *_: os.read(reads, 1))  # as into a full pipe
    began = time.monotonic()
    for number in range(1000):
        log.handle(logging.LogRecord("x", logging.ERROR, "", 0, f"{number}" * 5000, None, None))
    assert time.monotonic() - began < 2
    os.close(writes)
    os.close(reads)
