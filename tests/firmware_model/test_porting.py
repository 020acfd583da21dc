"""The porting page is a program: it is compiled as it stands there, and verified over a pseudo-terminal."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tty
from pathlib import Path

import pytest

from tests import ROOT

PAGE = ROOT / "firmware_model" / "PORTING.md"

# What a person with a board writes; here the board's port is a file descriptor.
PORT = """
#include <errno.h>
#include <poll.h>
#include <stdint.h>
#include <time.h>
#include <unistd.h>

int32_t port_read(uint8_t *bytes, int32_t room) {
    struct pollfd here = {0, POLLIN, 0};
    (void)poll(&here, 1, 1); /* a board would look and go on; this machine has more to do */
    ssize_t moved = read(0, bytes, (size_t)room);
    return moved > 0 ? (int32_t)moved : moved < 0 && errno == EAGAIN ? 0 : -1;
}

int32_t port_write(const uint8_t *bytes, int32_t count) {
    ssize_t moved = write(0, bytes, (size_t)count);
    return moved >= 0 ? (int32_t)moved : errno == EAGAIN ? 0 : -1;
}

uint32_t port_ms(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint32_t)(now.tv_sec * 1000 + now.tv_nsec / 1000000);
}
"""


def code(language: str) -> str:
    """The one program in a language on the page."""
    (found,) = re.findall(rf"```{language}\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    return str(found)


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("needs a C compiler")
    folder = tmp_path_factory.mktemp("port")
    (folder / "main.c").write_text(code("c"))
    (folder / "port.c").write_text(PORT)
    model = ROOT / "firmware_model"
    sources = [*sorted((model / "core").glob("*.c")), *sorted((model / "link").glob("*.c"))]
    command = [compiler, "-std=gnu99", "-O1", "-Wall", "-Wextra", "-Werror", "-I", str(model)]
    names = [str(path) for path in (*sources, folder / "main.c", folder / "port.c")]
    done = subprocess.run(
        [*command, *names, "-o", str(folder / "board")], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return folder / "board"


@pytest.mark.slow
def test_the_program_of_the_page_verifies(program: Path, tmp_path: Path) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    board = subprocess.Popen([program], stdin=master)
    (tmp_path / "test_board.py").write_text(code("python"))
    try:
        port = os.ttyname(slave)
        arguments = ["verify", "traces/clean_launch.csv", "--calibration", "traces/demo.toml", "--port", port]
        runs = [
            [sys.executable, "-c", "from bench.cli import main; main()", *arguments, "--window", "8"],
            [sys.executable, "-m", "pytest", "-q", "-c", os.devnull, "--rootdir", str(ROOT), "--device", port,
             str(tmp_path / "test_board.py")],
        ]  # fmt: skip
        for command in runs:
            environment = {**os.environ, "PYTHONPATH": str(ROOT)}
            done = subprocess.run(
                command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=120, check=False
            )
            assert done.returncode == 0, done.stdout + done.stderr
            assert "my board 1" in done.stdout or "1 passed" in done.stdout
    finally:
        board.kill()
        board.wait()
        for fd in (master, slave):
            os.close(fd)


def test_the_memory_that_the_page_names(tmp_path: Path) -> None:
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("needs a C compiler")
    sizes = "sizeof(lift_controller_t), sizeof(lift_link_t), LIFT_IMAGE_BYTES"
    (tmp_path / "size.c").write_text(
        f'#include <stdio.h>\n#include "link/link.h"\nint main(void) {{ printf("%zu %zu %d", {sizes}); }}\n'
    )
    text = PAGE.read_text(encoding="utf-8")
    for largest, window, said in ((1024, 8, "11 KiB"), (512, 2, "3.3 KiB"), (128, 1, "2 KiB")):
        defines = [f"-DLIFT_LINK_LARGEST={largest}", f"-DLIFT_LINK_WINDOW={window}"]
        target = str(tmp_path / "size")
        include = ["-I", str(ROOT / "firmware_model")]
        subprocess.run([compiler, *defines, *include, str(tmp_path / "size.c"), "-o", target], check=True)
        shown = subprocess.run([target], capture_output=True, text=True, check=True).stdout
        controller, link, image = (int(number) for number in shown.split())
        assert controller <= 1024
        assert f"an image {image} bytes" in text
        assert said in text
        assert link <= float(said.split()[0]) * 1024
