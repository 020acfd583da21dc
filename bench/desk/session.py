"""The work of one person on one calibration: its states with undo and redo, the file on disk, saving."""

from __future__ import annotations

import glob
import hashlib
import os
import shutil
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench.calibration import CalibrationFile, compile_text
from bench.calibration.reader import read_text
from bench.desk.draft import Draft, DraftFile
from bench.desk.settings import Settings, Values
from bench.errors import UserError
from bench.files import digest_of, write_whole
from bench.trace.text import quoted

_MOST_STATES = 200
_SUFFIX = ".toml"


class WouldReplace(UserError):
    """Saving would replace something that the person has not said may be replaced: `reason` is "changed" (the
    file was changed meanwhile) or "other" (another file of that name)."""

    def __init__(self, reason: str, what: str, where: object, right: str) -> None:
        super().__init__(what, where, right)
        self.reason = reason


@dataclass(frozen=True)
class Saved:
    """What saving did: the file, what was there before (None where nothing was), and whether it was written:
    a file that says the same already is left alone."""

    path: Path
    old: Path | None
    written: bool = True


class Session:
    """`source` is the file that was read, `folder` where saved files go; with `copy` (the demo) the source is
    never written, so saving asks for a name.

    Raises CalibrationMistakes, OSError, and UserError where another desk has the file.
    """

    def __init__(self, source: Path, *, copy: bool = False) -> None:
        self.source = source
        self.copy = copy
        self.folder = Path.cwd() if copy else Path(os.path.abspath(source)).parent
        self.notices: list[str] = []
        self._draft_file = DraftFile(source, shared=copy)
        if not copy:
            _remove_second_names(source)
        raw, text = read_text(source)
        digest = hashlib.sha256(raw).hexdigest()
        self.disk_digest = digest
        self._history: list[Values] = []
        self._at = 0
        self._gesture = ""
        if not self._resume(text, digest):
            self._begin(text, digest)
        if self._draft_file.trouble:
            self.notices.append(self._draft_file.trouble)

    def _begin(self, text: str, digest: str) -> None:
        self.base_digest = digest
        self.settings = Settings(compile_text(text, self.source, digest))
        self._history = [dict(self.settings.start)]
        self._at = 0
        self._gesture = ""

    def _resume(self, text: str, digest: str) -> bool:
        """Go on from a draft. Where the file is not what the draft's work ended with, and was not saved from
        it, the draft's state is one undo away, and that is said."""
        draft = self._draft_file.read()
        if draft is None:
            return False
        try:
            settings = Settings(compile_text(draft.base_text, self.source, draft.base_digest))
            history = [settings.checked(state, settings.start) for state in draft.history]
        except UserError:
            what = "the work in progress of an earlier desk does not fit this version; it lies in"
            self.notices.append(f"{what} {self._draft_file.put_aside()}")
            return False
        unsaved = history[draft.at] != settings.start
        if digest != draft.base_digest and not unsaved:
            return self._offer(settings, history[: draft.at + 1], text, digest)
        self.settings, self.base_digest = settings, draft.base_digest
        self._history, self._at = history, draft.at
        if unsaved and text == settings.text(history[draft.at]):
            # The program ended after the file was saved and before that was noted in the draft.
            self._follow(text, digest)
        elif unsaved:
            self.notices.append("Work that was not saved is here again, as it was left.")
        return True

    def _offer(self, settings: Settings, history: list[Values], text: str, digest: str) -> bool:
        """Begin with the file, and keep what was saved here before as the states before it: an editor may
        have changed the file since, or a power cut may have brought an older one back."""
        now = Settings(compile_text(text, self.source, digest))
        if now.start == settings.start and now.kind == settings.kind:
            return False
        if now.kind != settings.kind:
            what = "The file is of another kind than what was last saved here; that work lies in"
            self.notices.append(f"{what} {self._draft_file.put_aside()}")
            return False
        self.settings, self.base_digest = now, digest
        self._history = [*history, dict(now.start)][-_MOST_STATES:]
        self._at = len(self._history) - 1
        self.notices.append("The file is not what was last saved here. Undo brings that back.")
        return True

    # -- states

    @property
    def values(self) -> Values:
        """The present state: of what the text has, whatever a state before it had."""
        state = self._history[self._at]
        return {name: state.get(name, own) for name, own in self.settings.start.items()}

    @property
    def unsaved(self) -> bool:
        """Whether the present state differs from the text it started from."""
        return self.values != self.settings.start

    @property
    def can_undo(self) -> bool:
        """Whether there is a state before this one."""
        return self._at > 0

    @property
    def can_redo(self) -> bool:
        """Whether there is an undone state."""
        return self._at + 1 < len(self._history)

    def set(self, given: object, gesture: str = "") -> None:
        """Change some settings. Changes of one gesture (not empty) are undone as one."""
        made = self.settings.checked(given, self.values)
        if made == self.values:
            return
        if gesture and gesture == self._gesture and not self.can_redo and self._at > 0:
            self._history[self._at] = made
            return
        self._gesture = gesture
        self._push(made)

    def _push(self, made: Values) -> None:
        self._history = [*self._history[: self._at + 1], made][-_MOST_STATES:]
        self._at = len(self._history) - 1

    def undo(self) -> None:
        """Back by one state, where there is one."""
        self._gesture = ""
        self._at = max(0, self._at - 1)

    def redo(self) -> None:
        """Forward by one state, where there is one."""
        self._gesture = ""
        self._at = min(len(self._history) - 1, self._at + 1)

    def start_over(self) -> None:
        """The settings of the text this started from, as one more state."""
        self._gesture = ""
        if self.unsaved:
            self._push(dict(self.settings.start))

    def keep(self) -> None:
        """Write the work in progress where it outlives this program; nothing where there is none."""
        if not self.unsaved and len(self._history) == 1:
            self._draft_file.remove()
            return
        base = self.settings.cal
        self._draft_file.write(Draft(base.text, self.base_digest, list(self._history), self._at))

    @property
    def trouble(self) -> str:
        """Why the work in progress cannot be kept, or nothing."""
        return self._draft_file.trouble

    def close(self) -> None:
        """Keep the work, and let another desk have the calibration."""
        self.keep()
        self._draft_file.release()

    # -- the file

    @property
    def name(self) -> str:
        """The file's name, without its folder."""
        return self.source.name

    def look_at_disk(self) -> bool:
        """Read what is on disk now; whether that is other than before."""
        before = self.disk_digest
        self.disk_digest = _digest_of(self.source)
        return self.disk_digest != before

    @property
    def changed_on_disk(self) -> bool:
        """Whether the file is another than the one this started from; also where it is gone."""
        return self.disk_digest != self.base_digest

    def on_disk(self) -> CalibrationFile:
        """The calibration that is on disk now. Raises UserError and OSError."""
        if self.source.exists() and not self.source.is_file():  # a pipe would never end
            raise UserError("is no file any more", self.name, "put a calibration there")
        raw, text = read_text(self.source)
        return compile_text(text, self.source, hashlib.sha256(raw).hexdigest())

    def take_from_disk(self) -> None:
        """Start from what is on disk now. It becomes one more state, so that the one before can be had back
        with undo, where the two files' settings are of one kind. Raises UserError where they are not and
        there is unsaved work."""
        cal = self.on_disk()
        settings = Settings(cal)
        if settings.kind != self.settings.kind and self.unsaved:
            what = "counts in other units now, or has maps or ceilings where there were none"
            raise UserError(
                what, self.name, "save this work under another name first, or go back to its start"
            )
        if settings.kind == self.settings.kind:
            self.settings = settings
            self.base_digest = self.disk_digest = cal.digest
            if self.values != settings.start:
                self._push(dict(settings.start))
            self._gesture = ""
        else:
            self._begin(cal.text, cal.digest)
        self.disk_digest = cal.digest

    def save(self, name: str = "", *, replace: bool = False) -> Saved:
        """Write the present state to a file of that name beside the source, or to the source itself.

        What was there is kept beside it. Raises UserError where the checker refuses, WouldReplace where
        something is in the way that `replace` does not allow to be replaced. Afterwards the session is of
        file.
        """
        target = self._target(name)
        text = self.settings.text(self.values)
        compile_text(text, target.name)
        digest = hashlib.sha256(text.encode()).hexdigest()
        own = not self.copy and _same(target, self.source)
        if target.exists() and not target.is_file():
            raise UserError("is no file", target.name, "choose another name")
        there = _digest_of(target)
        if not there and target.exists():
            raise UserError(
                "is there and cannot be read", target.name, "choose another name, or check its rights"
            )
        if own and there == digest:
            self._follow(text, digest)
            self.keep()
            return Saved(target, None, written=False)
        if own and there not in ("", self.base_digest) and not replace:
            what = "was changed on disk since this work began"
            raise WouldReplace("changed", what, target.name, "save under another name, or replace it")
        if not own and there and not replace:
            raise WouldReplace("other", "is there already", target.name, "choose another name, or replace it")
        # WouldReplace before anything is written: another desk may be at work on the target.
        draft_file = self._draft_file if own else DraftFile(target)
        old = None
        if own and not draft_file.hold():
            what = "another desk is at work on the file that lies there now"
            raise UserError(what, target.name, "save under another name, or end that desk first")
        try:
            if not own and _has_work(draft_file.read()):
                what = "has work in progress of its own, which was not saved"
                raise UserError(
                    what, target.name, "go on with that in a desk of its own, or take another name"
                )
            old = _set_aside(target) if there else None
            write_whole(target, text)
            draft_file.hold()
        except BaseException:
            if old is not None and _digest_of(target) == there:
                old.unlink(missing_ok=True)  # a second name of what is there still
            if not own:
                draft_file.release()
            raise
        if not own:
            self._draft_file.remove()
            self._draft_file.release()
        self._draft_file = draft_file
        self.source, self.copy = target, False
        self._follow(text, digest)
        self.keep()
        return Saved(target, old)

    def write_beside(self, name: object, text: str) -> Path:
        """Write another calibration into the folder, under a name that is free. Raises UserError."""
        if not isinstance(name, str) or not name.strip():
            raise UserError("is not a file name", right="give a name")
        path = self._target(name)
        if path.exists():
            raise UserError("is there already", path.name, "choose another name")
        write_whole(path, text)
        return path

    def _follow(self, text: str, digest: str) -> None:
        """The present state is what the file says from now on."""
        self.base_digest = self.disk_digest = digest
        self.settings = Settings(compile_text(text, self.source, digest))
        self._history[self._at] = dict(self.settings.start)
        self._gesture = ""

    def _target(self, name: str) -> Path:
        name = name.strip()
        if not name:
            if self.copy:
                raise UserError("the demo stays as it is", right="give a name to save under")
            return self.source
        if name != Path(name).name or name.startswith(".") or not name.isprintable():
            what = f"{quoted(name)} is not a plain file name"
            raise UserError(what, right=f"a name without folders; it is saved in {self.folder}")
        if not name.endswith(_SUFFIX) or name == _SUFFIX:
            raise UserError(f"{quoted(name)} does not end in {_SUFFIX}", right=f"for example car{_SUFFIX}")
        return self.folder / name

    def facts(self) -> dict[str, Any]:
        """What the page shows of the file."""
        return {
            "name": self.name,
            "folder": str(self.folder),
            "demo": self.copy,
            "gone": self.disk_digest == "",
            "changed_on_disk": self.changed_on_disk,
        }


def _digest_of(path: Path) -> str:
    """Of a file's content; empty where there is none that can be read."""
    try:
        if not path.is_file():  # opening a pipe would wait for its other end
            return ""
        return digest_of(path)
    except OSError:
        return ""


def _has_work(draft: Draft | None) -> bool:
    """Whether something in a draft was never saved; where that cannot be told it may have been."""
    if draft is None:
        return False
    try:
        settings = Settings(compile_text(draft.base_text, "draft", draft.base_digest))
        return settings.checked(draft.history[draft.at], settings.start) != settings.start
    except UserError:
        return True


def _same(one: Path, other: Path) -> bool:
    return os.path.realpath(one) == os.path.realpath(other)


def _remove_second_names(source: Path) -> None:
    """Take away kept old files that are the live file itself: a program was killed while it saved."""
    real = Path(os.path.realpath(source))
    for old in real.parent.glob(f"{glob.escape(real.name)}.old-*"):
        with suppress(OSError):
            if not old.is_symlink() and old.samefile(real):
                old.unlink()


def _set_aside(target: Path) -> Path:
    """Give what is at the target a second name beside it, car.toml.old-1 and so on; gives that name."""
    real = Path(os.path.realpath(target))
    number = 1
    while True:
        old = real.with_name(f"{real.name}.old-{number}")
        try:
            os.link(real, old)  # at once, and only where nothing has that name
            return old
        except FileExistsError:
            number += 1
        except OSError:
            break
    # A file system without second names.
    while old.exists():
        number += 1
        old = real.with_name(f"{real.name}.old-{number}")
    try:
        shutil.copy2(real, old)
    except BaseException:
        old.unlink(missing_ok=True)
        raise
    return old
