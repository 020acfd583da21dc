"""A power cut at every moment of a save on the desk: a file system in a file, copied at each change.

The calibration lies on it, as on a memory stick; drafts lie elsewhere, so that what is written through for
them does not write the stick through.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from bench.desk.session import Session
from tests.desk_support import copy_of_demo

_SIZE = 8 << 20
_HEARD: list[Callable[[], None]] = []
_CHANGES = {"open", "os.rename", "os.link", "os.remove", "os.mkdir", "os.chmod", "os.rmdir"}


def _hear(event: str, _: tuple[Any, ...]) -> None:
    # An audit hook stays for ever, so it does nothing unless somebody listens.
    if _HEARD and event in _CHANGES:
        listener = _HEARD.pop()
        listener()
        _HEARD.append(listener)


@contextmanager
def _mounted(image: Path, place: Path) -> Iterator[None]:
    words = ["mount", "-o", "loop", str(image), str(place)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        raise PermissionError(done.stderr.strip())
    try:
        yield
    finally:
        subprocess.run(["umount", str(place)], check=True)


def power_cut(folder: Path, long: bool) -> str:
    """Whatever the moment, the file is the old or the new one, whole, and nothing of the work is lost; once
    the desk has said "Saved" it is the new one, and the old one lies beside it."""
    place, image, state = folder / "disk", folder / "disk.img", folder / "state"
    place.mkdir()
    with image.open("wb") as stream:
        stream.truncate(_SIZE)
    subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True)
    copies: list[Path] = []

    def cut() -> None:
        copies.append(folder / f"{len(copies)}.img")
        shutil.copyfile(image, copies[-1])
        shutil.copytree(state, copies[-1].with_suffix(".state"))

    before = os.environ.get("XDG_STATE_HOME")
    os.environ["XDG_STATE_HOME"] = str(state)
    sys.addaudithook(_hear)
    try:
        with _mounted(image, place):
            car = copy_of_demo(place)
            old = car.read_text()
            session = Session(car)
            session.set({"hold": 123})
            session.keep()
            os.sync()
            _HEARD.append(cut)
            session.save()
            _HEARD.clear()
            said = len(copies)
            cut()  # once it has said that it saved
            new = car.read_text()
            session.close()
        assert old != new
        kept = 0
        for number, copy in enumerate(copies):
            shutil.rmtree(state)
            copy.with_suffix(".state").rename(state)
            with _mounted(copy, place):
                now = car.read_text()
                assert now in (old, new), f"half a file at moment {number} of {said}"
                session = Session(car)
                assert session.values["hold"] == 123 or session.can_undo, f"lost at moment {number}"
                session.close()
                if number == said:
                    assert now == new, "the old file is back although the desk said that it saved"
                    assert (place / "car.toml.old-1").read_text() == old
                kept += now == old
            copy.unlink()
    finally:
        _HEARD.clear()
        if before is None:
            del os.environ["XDG_STATE_HOME"]
        else:
            os.environ["XDG_STATE_HOME"] = before
    return f"{len(copies)} power cuts, of which {kept} leave the old file"
