"""pytest plugin: `pytest --device PORT` gives tests the fixture `device`, a controller behind a serial
port."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from bench.link.line import Line
    from bench.link.target import RemoteTarget


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add --device and --device-baud."""
    group = parser.getgroup("liftlatch")
    group.addoption("--device", metavar="PORT", help="serial port of the device to test")
    group.addoption(
        "--device-baud", type=int, default=115200, metavar="N", help="bits a second of a real port"
    )


@pytest.fixture(scope="session")
def device_line(request: pytest.FixtureRequest) -> Iterator[Line]:
    """The port of --device, open for the whole session. Without --device a test that asks for it is
    skipped."""
    name = request.config.getoption("--device")
    if name is None:
        pytest.skip("needs a device: pytest --device PORT")
    from bench.link.line import LinkError
    from bench.link.ports import SerialLine

    try:
        line = SerialLine(name, request.config.getoption("--device-baud"))
    except LinkError as error:
        pytest.exit(str(error), returncode=2)
    yield line
    line.close()


@pytest.fixture
def device(device_line: Line) -> Iterator[RemoteTarget]:
    """The device at --device, with a conversation of its own for each test; see bench.link.target. A test
    finds it at rest, whatever the one before did, and leaves it so."""
    from bench.link.host import Host
    from bench.link.line import LinkError
    from bench.link.target import RemoteTarget

    target = RemoteTarget(Host(device_line))
    target.disarm()
    yield target
    with suppress(LinkError):
        target.leave()
