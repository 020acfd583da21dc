"""The work in progress of one calibration, kept in the user's state folder so that nothing is lost when page
or program end, however they end.

One file for each calibration, written atomically, and a lock beside it that the system frees when the program
ends: two desks never work on one calibration. The calibration itself is locked too (not on Windows, where
nobody could read or replace it then), so that another user or another name of the file is noticed. Nothing
else is written but what the person saves.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench.errors import UserError
from bench.files import write_whole
from bench.system import LOCKS_HINDER_OTHERS, open_now, try_lock, unlink_held

_VERSION = 1
_FOLDER = "liftlatch/desk"


def state_folder() -> Path:
    """Where drafts lie: below $XDG_STATE_HOME, else ~/.local/state (XDG Base Directory Specification)."""
    given = os.environ.get("XDG_STATE_HOME", "")
    base = Path(given) if os.path.isabs(given) else Path.home() / ".local" / "state"
    return base / _FOLDER


@dataclass(frozen=True)
class Draft:
    """States of the desk, oldest first, which of them is the present one, and the text they started from."""

    base_text: str
    base_digest: str
    history: list[dict[str, Any]]
    at: int


class DraftFile:
    """The draft of one calibration file, locked for this process.

    Raises UserError where another desk has it. Where the folder cannot be written `trouble` says why, and
    nothing is kept.
    """

    def __init__(self, calibration: Path, *, shared: bool = False) -> None:
        """`shared`: the calibration is never written, so any number of users may have it."""
        self.calibration = Path(os.path.realpath(calibration))
        name = hashlib.sha256(os.fsencode(self.calibration)).hexdigest()[:24]
        self.path = state_folder() / f"{name}.json"
        self.trouble = ""
        self._lock: int | None = None
        self._held: int | None = None
        if not shared and not self.hold():
            raise _taken(calibration)
        try:
            self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            locked = self._take_lock()
        except OSError as error:
            self._say(error)
            return
        if not locked:
            self.release()
            raise _taken(calibration)

    def hold(self) -> bool:
        """Lock the calibration that is there now, which may be another file of that name than before; False
        where another desk has it."""
        if LOCKS_HINDER_OTHERS:
            return True
        try:
            descriptor = open_now(self.calibration, os.O_RDONLY)
        except OSError:  # what cannot be read is told by the one who reads it
            return True
        found = os.fstat(descriptor)
        ours = self._held is not None and os.path.samestat(found, os.fstat(self._held))
        if ours or not stat.S_ISREG(found.st_mode):
            os.close(descriptor)
            return True
        if not try_lock(descriptor):
            os.close(descriptor)
            return False
        if self._held is not None:
            os.close(self._held)
        self._held = descriptor
        return True

    def _take_lock(self) -> bool:
        """Lock the file beside the draft; False where another desk has it."""
        path = self.path.with_suffix(".lock")
        while True:
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
            if not try_lock(descriptor):
                os.close(descriptor)
                return False
            # A desk that ended meanwhile took the name away: then this is no lock that others see.
            with suppress(FileNotFoundError):
                if os.path.samestat(os.fstat(descriptor), os.stat(path)):
                    self._lock = descriptor
                    return True
            os.close(descriptor)

    def _say(self, error: object) -> None:
        self.trouble = f"the work in progress cannot be kept in {self.path.parent}: {error}"

    def read(self) -> Draft | None:
        """The draft that is there. One that cannot be understood is put aside, and `trouble` says so."""
        try:
            found = json.loads(self.path.read_text(encoding="utf-8"))
            if found["draft_version"] != _VERSION:
                raise ValueError("another version")
            draft = Draft(found["base_text"], found["base_digest"], found["history"], found["at"])
            if not all(isinstance(text, str) for text in (draft.base_text, draft.base_digest)):
                raise ValueError("no text")
            if not isinstance(draft.history[draft.at], dict) or draft.at < 0:
                raise ValueError("no state")
            return draft
        except FileNotFoundError:
            return None
        except OSError as error:
            self._say(error)
        except (ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError):
            aside = self.put_aside()
            self.trouble = f"the work in progress of an earlier desk could not be read; it lies in {aside}"
        return None

    def put_aside(self) -> Path:
        """Give the draft a name that no desk touches again; gives that name."""
        number = 1
        while (aside := self.path.with_suffix(f".aside-{number}")).exists():
            number += 1
        with suppress(OSError):
            self.path.replace(aside)
        return aside

    def write(self, draft: Draft) -> None:
        """Keep a draft. A failure is told by `trouble`, and stops nothing."""
        if self._lock is None:
            return
        content = {
            "draft_version": _VERSION,
            "calibration": str(self.calibration),
            "base_text": draft.base_text,
            "base_digest": draft.base_digest,
            "history": draft.history,
            "at": draft.at,
        }
        try:
            write_whole(self.path, json.dumps(content) + "\n")
        except (OSError, UserError) as error:
            self._say(error)

    def remove(self) -> None:
        """Take the draft away, where there is one of ours."""
        if self._lock is None:
            return
        with suppress(OSError):
            self.path.unlink(missing_ok=True)

    def release(self) -> None:
        """Free the locks, and leave nothing behind where there is no draft."""
        if self._held is not None:
            os.close(self._held)
            self._held = None
        if self._lock is not None:
            if self.path.exists():
                os.close(self._lock)
            else:
                unlink_held(self.path.with_suffix(".lock"), self._lock)
            self._lock = None


def _taken(calibration: Path) -> UserError:
    what = "another desk is at work on this calibration"
    return UserError(what, calibration, "end that one first, or work on a copy")
