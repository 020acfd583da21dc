"""A controller of other make, written from the protocol page alone: the page's own program, compared."""

from __future__ import annotations

import json
import os
import re
import subprocess
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from bench import cli
from bench.errors import UserError
from tests import ROOT
from tests.firmware_model.test_porting import PORT
from tests.tools import need, run

PAGE = ROOT / "firmware_model" / "OTHER_MAKE.md"
COMPARED = ("--outputs", "reduction,retard,events", "--tolerance", "reduction=2,retard=1,events=8")


def block(language: str) -> str:
    """The one block of a language on the page."""
    (found,) = re.findall(rf"```{language}\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    return str(found)


def test_it_is_small_and_of_other_make() -> None:
    lines = [line for line in block("c").splitlines() if line.strip()]
    assert len(lines) <= 150
    assert set(re.findall(r'#include [<"](.*?)[>"]', block("c"))) == {"stdbool.h", "stdint.h", "string.h"}


def build(folder: Path, *changes: tuple[str, str]) -> Path:
    """The page's program, with parts of it replaced."""
    text = block("c")
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    (folder / "other.c").write_text(text)
    (folder / "port.c").write_text(PORT)
    flags = ["-std=gnu99", "-O1", "-Wall", "-Wextra", "-Wno-stringop-truncation"]
    run(*need("gcc"), *flags, folder / "other.c", folder / "port.c", "-o", folder / "other")
    return folder / "other"


@contextmanager
def running(program: Path) -> Iterator[str]:
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    board = subprocess.Popen([program], stdin=master)
    try:
        yield os.ttyname(slave)
    finally:
        board.kill()
        board.wait()
        for fd in (master, slave):
            os.close(fd)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """(trace, calibration): a nose that rises and comes down, disarmed on the way; the page's calibration."""
    folder = tmp_path_factory.mktemp("other")
    (folder / "other.toml").write_text(block("toml"))
    times = np.arange(0, 1.5, 0.001)
    height = np.interp(times, [0, 0.3, 0.8, 1.0, 1.4, 1.5], [130, 130, 420, 420, 130, 130])
    rows = ["Time,Height,Speed,Engine speed,Armed,Launch", "s,mm,km/h,rpm,,"]
    rows += [
        f"{t:.3f},{mm:.2f},{max(0.0, t - 0.2) * 60:.1f},6000,{int(0.01 < t < 1.2)},{int(t > 0.2)}"
        for t, mm in zip(times, height, strict=True)
    ]
    (folder / "trace.csv").write_text("\n".join(rows) + "\n")
    return folder / "trace.csv", folder / "other.toml"


def verify(port: str, files: tuple[Path, Path], *options: str) -> int:
    arguments = ["verify", str(files[0]), "--calibration", str(files[1]), "--port", port, *options]
    return cli.liftlatch.main(arguments, standalone_mode=False) or 0


def said(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().out.split())


def test_it_is_equal_in_what_it_has(
    files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with running(build(tmp_path)) as port:
        assert verify(port, files, *COMPARED, "--out", str(tmp_path / "out")) == 0
    text = said(capsys)
    assert "it has a calibration of its own and is given none; compared with" in text
    assert "(reduction within 2, retard within 1, events within 8)" in text
    assert "Not compared: hold_left, height," in text
    assert "No counters: it keeps none." in text
    found = json.loads((tmp_path / "out" / "verify.json").read_text())
    assert found["how"]["own_calibration"] is True
    assert "digest" in found["how"]["not_compared"]
    assert not {"reduction", "retard", "events"} & set(found["how"]["not_compared"])


LATE = ("    reduction = launched ? share(lift, 100, 250, 600) : 0;\n", """
    static int32_t before[3];
    before[2] = before[1], before[1] = before[0], before[0] = launched ? share(lift, 100, 250, 600) : 0;
    reduction = before[2];
""")  # fmt: skip
LATE_RETARD = ("    retard = launched ? share(lift, 60, 250, 120) : 0;\n", """
    static int32_t late[3];
    late[2] = late[1], late[1] = late[0], late[0] = launched ? share(lift, 60, 250, 120) : 0;
    retard = late[2];
""")  # fmt: skip


def test_a_lag_is_found_and_said(
    files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with running(build(tmp_path, LATE, LATE_RETARD)) as port:
        assert verify(port, files, *COMPARED) == 1
        assert verify(port, files, *COMPARED, "--lag", "0:5", "--out", str(tmp_path / "out")) == 0
        assert "it answers 2 ticks late" in said(capsys)
        assert verify(port, files, *COMPARED, "--lag", "3:5") == 1
        assert verify(port, files, *COMPARED, "--lag", "0:1") == 1
    assert json.loads((tmp_path / "out" / "verify.json").read_text())["traces"][0]["lag_ticks"] == 2


@pytest.mark.parametrize(
    "change",
    [
        ("share(lift, 100, 250, 600)", "share(lift, 100, 250, 590)"),
        ("share(lift, 60, 250, 120)", "share(lift, 65, 250, 120)"),
        ("bool skip = owed >= 1000;", "bool skip = owed >= 1000 && reduction < 590;"),
        ("(switches & 2) != 0 && (launched", "(launched"),
    ],
    ids=["greatest", "start", "events", "arming"],
)
def test_what_it_has_wrong_is_found(
    change: tuple[str, str], files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with running(build(tmp_path, change)) as port:
        assert verify(port, files, *COMPARED) == 1
    assert "different at tick" in said(capsys)


def test_compared_bit_by_bit_it_is_another(files: tuple[Path, Path], tmp_path: Path) -> None:
    with running(build(tmp_path)) as port:
        assert verify(port, files) == 1


def test_a_tick_of_other_length_is_told(files: tuple[Path, Path], tmp_path: Path) -> None:
    with (
        running(build(tmp_path, ("TICK_US = 1000", "TICK_US = 2000"))) as port,
        pytest.raises(UserError, match=r"own calibration has a tick of 2000"),
    ):
        verify(port, files, *COMPARED)
