"""`liftlatch load`: a calibration into a device, and what a device has."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from bench.calibration import load
from bench.link.host import Host
from bench.link.ports import SerialLine
from bench.link.protocol import ARMED, INPUT, LAUNCH, SPEED_VALID
from bench.link.target import RemoteTarget
from tests.bench.verify.test_verify_command import CALIBRATION, device, liftlatch, one_line

CRC = f"{load(CALIBRATION).crc:08x}"


@pytest.mark.slow
def test_it_loads_and_reads_back() -> None:
    with device() as port:
        empty = liftlatch("load", "--show", "--port", port)
        assert empty.returncode == 0, empty.stderr
        assert "No calibration is active in it." in empty.stdout
        done = liftlatch("load", "--calibration", CALIBRATION, "--port", port)
        assert done.returncode == 0, done.stderr
        assert f"Active: image CRC-32 {CRC}, a tick of 1 ms" in done.stdout
        assert "aid, not a safety device" in done.stdout
        told = json.loads(liftlatch("load", "--show", "--port", port, "--json").stdout)
    assert (told["active_image_crc32"], told["tick_us"], told["loaded"]) == (CRC, 1000, None)


@pytest.mark.slow
def test_an_armed_device_refuses_and_keeps_what_it_has(tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text(Path(CALIBRATION).read_text().replace("hold_ms = ", "hold_ms = 1", 1))
    with device() as port:
        assert liftlatch("load", "--calibration", CALIBRATION, "--port", port).returncode == 0
        target = RemoteTarget(Host(SerialLine(port, 115200)))
        assert target.load(load(CALIBRATION).image) == 0
        target.start()
        inputs = np.zeros(20, INPUT)
        inputs["switches"] = SPEED_VALID | ARMED | LAUNCH
        target.run(0, inputs)
        target.host.line.close()
        line = one_line(liftlatch("load", "--calibration", other, "--port", port))
        assert "armed" in line
        told = json.loads(liftlatch("load", "--show", "--port", port, "--json").stdout)
    assert told["active_image_crc32"] == CRC


@pytest.mark.parametrize(
    "words", [["--port", "x"], ["--port", "x", "--show", "--calibration", str(CALIBRATION)], ["--show"]]
)
def test_wrong_words_are_one_line(words: list[str]) -> None:
    one_line(liftlatch("load", *words))
