"""The contract is tried on the reference, the C core and the device model; with --device PORT on that
device."""

from __future__ import annotations

import pytest

from bench.link.target import LocalTarget, Target
from controller import Controller
from tests.link_support import remote


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "target" in metafunc.fixturenames:
        port = metafunc.config.getoption("--device")
        kinds = ["port"] if port else ["reference", "c", "model", "model-c"]
        metafunc.parametrize("target", kinds, indirect=True)


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
