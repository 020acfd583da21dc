"""The contract is tried on the reference, the C core and the device model; with --device PORT on that
device."""

from __future__ import annotations

import pytest

from bench.device.behaviour import Behaviour
from bench.link.host import Host
from bench.link.memory import MemoryLine
from bench.link.target import LocalTarget, RemoteTarget, Target
from controller import Controller
from tests.firmware_model.conftest import in_c, program  # noqa: F401  # fixtures
from tests.link_support import remote


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "target" in metafunc.fixturenames:
        port = metafunc.config.getoption("--device")
        kinds = ["port"] if port else ["reference", "c", "model", "model-c"]
        metafunc.parametrize("target", kinds, indirect=True)
    if "wire" in metafunc.fixturenames:
        port = metafunc.config.getoption("--device")
        metafunc.parametrize("wire", ["port"] if port else ["model", "c link"], indirect=True)


@pytest.fixture
def wire(request: pytest.FixtureRequest) -> RemoteTarget:
    """A device behind a line: the model, or the link in C as a process."""
    if request.param == "port":
        found: RemoteTarget = request.getfixturevalue("device")
        return found
    if request.param == "model":
        return remote()[0]
    return RemoteTarget(Host(MemoryLine(Behaviour(request.getfixturevalue("in_c")))))


@pytest.fixture
def target(request: pytest.FixtureRequest) -> Target:
    """A controller, whatever it is made of and wherever it runs."""
    if request.param == "port":
        found: Target = request.getfixturevalue("device")
        return found
    if request.param == "reference":
        return LocalTarget(Controller())
    if request.param == "model":
        return remote()[0]
    from firmware_model import binding

    why_not = binding.available()
    if why_not:
        pytest.fail(why_not)
    return LocalTarget(binding.Core()) if request.param == "c" else remote(binding.Core)[0]
