"""The address that a server announces."""

from __future__ import annotations

import socket
from typing import Any
from urllib.parse import urlsplit

import pytest

from bench.desk import server


@pytest.mark.parametrize("given", [False, True])
def test_the_address_that_is_announced_is_the_one_listened_on(
    given: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1] if given else 0
    listened: list[int] = []
    announced: list[str] = []

    class Nobody:
        def run(self, sockets: list[Any]) -> None:
            listened.extend(one.getsockname()[1] for one in sockets)

    monkeypatch.setattr(server, "make_app", lambda *_: None)
    monkeypatch.setattr(server, "make_server", lambda _: Nobody())
    server.serve(None, port, announced.append)  # type: ignore[type-var]
    assert [urlsplit(address).port for address in announced] == listened
    assert not given or listened == [port]
