"""Files and folders that are written atomically.

A reader sees the old content or the new one, never a part, and a power cut leaves one of the two. What is
under way lies beside the target under a hidden name, locked, and is removed on any failure, on Ctrl-C and
on a request to terminate. Only a process that is killed outright leaves it behind, and then the target is
still the old one; the next one that writes the same target removes what no process holds.
"""

import errno
import hashlib
import os
import re
import secrets
import shutil
import signal
import stat
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import NoReturn

from bench.errors import UserError
from bench.system import ENDING, exchange, hold, open_now, sync_file, sync_folder, unblocked

# Lists the files of a folder made by whole_folder, so that only such a folder is ever replaced and
# nothing that a person put there is lost. A line that begins with a tab is no file but an input: its name and
# its value, with a tab between.
MANIFEST = ".liftlatch"

_PART = re.compile(r"[0-9a-f]{12}\.part")
_RIGHT = {
    errno.ENOSPC: "free some space or write elsewhere",
    errno.EDQUOT: "free some space or write elsewhere",
    errno.EFBIG: "write elsewhere or less",
    errno.EACCES: "check the rights of the folder",
    errno.EPERM: "check the rights of the folder",
    errno.EROFS: "write elsewhere",
    errno.ENOENT: "make the folder first",
    errno.ENOTDIR: "check the folders in the name",
    errno.EEXIST: "check the folders in the name",
    errno.ENAMETOOLONG: "use a shorter name",
}


def write_whole(path: str | os.PathLike[str], content: bytes | str) -> None:
    """Write a file whole or not at all; text is stored as UTF-8 with the line ends it has.

    An existing file is replaced and keeps its rights; a link is followed. What is neither a file nor absent
    (a terminal, a pipe, /dev/null) is written to directly.
    Raises UserError, with the target untouched, if it cannot be written.
    """
    data = content.encode() if isinstance(content, str) else content
    shown, target = Path(path), Path(os.path.realpath(path))
    if target.is_dir():
        raise UserError("is a folder", shown, "name a file")
    with _explained(shown, target):
        mode = target.stat().st_mode if target.exists() else None
        if mode is not None and not stat.S_ISREG(mode):
            _write_directly(target, data)
            return
        if mode is not None and not os.access(target, os.W_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        _remove_left(target)
        with _terminable(), _part(target, lambda part: part.touch(exist_ok=False)) as part:
            with part.open("wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            if mode is not None:
                part.chmod(stat.S_IMODE(mode))
            part.replace(target)
            sync_folder(target.parent)


def _write_directly(target: Path, data: bytes) -> None:
    """Into a pipe or a device, without waiting for a reader to come."""
    try:
        descriptor = open_now(target, os.O_WRONLY)
    except OSError as error:
        if error.errno == errno.ENXIO:
            raise UserError(
                "nobody reads this pipe", target, "start its reader first, or name a file"
            ) from None
        raise
    with open(descriptor, "wb") as stream:
        unblocked(descriptor, False)
        stream.write(data)


def digest_of(path: str | os.PathLike[str]) -> str:
    """The SHA-256 of a file's content, in hex. Raises OSError."""
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def demand_new(path: str | os.PathLike[str]) -> None:
    """Raises UserError where a new file cannot be made, or where there is one already: for what takes long or
    cannot be had again."""
    shown, target = Path(path), Path(os.path.realpath(path))
    if target.is_dir():
        raise UserError("is a folder", shown, "name a file")
    if target.is_file():
        raise UserError("is there already", shown, "name a new file, or move that one away first")
    with _explained(shown, target):
        if not target.parent.is_dir():
            target.parent.stat()
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))
        if not target.exists() and not os.access(target.parent, os.W_OK | os.X_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))


@contextmanager
def whole_folder(
    path: str | os.PathLike[str], made_from: Mapping[str, str] | None = None, replace: bool = False
) -> Iterator[Path]:
    """Give an empty folder to fill, and put it in the place of `path` when the block ends well.

    `path` may be absent (its parents are made), empty, or the result of an earlier call, which is replaced as
    a whole. Any other folder, or one to which a person has added a file, is refused with UserError before
    the block runs. So is, with `made_from` (values of inputs by name, one line each) and unless `replace`,
    a result that was made from other inputs. If the block fails, `path` is as it was. Of two processes that
    write the same folder one whole result stays.
    """
    shown, target = Path(path), Path(os.path.realpath(path))
    inputs = None if replace else made_from

    def check() -> None:
        _refuse_foreign(shown, target)
        if inputs is not None:
            _refuse_other_inputs(shown, target, inputs)

    check()
    with _explained(shown, target), _terminable() as asked:
        made = _make_parents(target.parent)
        _remove_left(target)
        try:
            with _part(target, Path.mkdir) as part:
                yield part
                names = sorted(_names_in(part))
                names += [f"\t{name}\t{value}" for name, value in (made_from or {}).items()]
                (part / MANIFEST).write_text("".join(f"{name}\n" for name in names), encoding="utf-8")
                _settle(part, asked)
                _put_in_place(shown, part, target, check)
                sync_folder(target.parent)
        except BaseException:
            for folder in made:
                with suppress(OSError):
                    folder.rmdir()
            raise


def numbered_folder(parent: Path, first: int, fill: Callable[[Path], None]) -> int:
    """Fill a new folder and put it below `parent` whole, under the next number from `first` on that is free
    (0007); gives the number. Of two processes that do so at once each gets a number of its own. If `fill`
    fails nothing is left.

    Raises UserError, with nothing written, where that is not possible.
    """
    target = parent / "new"
    with _explained(parent, target), _terminable() as asked:
        _remove_left(target)
        with _part(target, Path.mkdir) as part:
            fill(part)
            _settle(part, asked)
            number = first
            while True:
                try:
                    part.rename(parent / f"{number:04d}")
                    break
                except OSError as error:
                    if error.errno not in (errno.ENOTEMPTY, errno.EEXIST, errno.ENOTDIR):
                        raise
                    number += 1
            sync_folder(parent)
    return number


def _part_stem(target: Path) -> str:
    # The name is cut so that a long target name still leaves room for the rest.
    return str(target.with_name(f".{target.name[:100]}."))


def _remove_left(target: Path) -> None:
    """Remove what a killed process left beside a target: parts that nobody has locked."""
    stem = Path(_part_stem(target))
    with suppress(OSError):
        for part in [one for one in stem.parent.iterdir() if one.name.startswith(stem.name)]:
            if not _PART.fullmatch(part.name[len(stem.name) :]) or part.is_symlink():
                continue
            # Held meanwhile: whoever just made it takes another name.
            with suppress(OSError), hold(part, left=True) as nobodys:
                if nobodys:
                    shutil.rmtree(part) if part.is_dir() else part.unlink()


@contextmanager
def _part(target: Path, make: Callable[[Path], None]) -> Iterator[Path]:
    """A new part of a target, locked. What is left of it at the end goes, whenever that comes: a Ctrl-C while
    it is being made leaves nothing either."""
    while True:
        part = _part_of(target)
        try:
            make(part)
            with hold(part) as ours:
                if ours:
                    yield part
                    return
            # Another process took it for something left: once more, by another name.
        finally:
            # After an exchange this is the old folder.
            shutil.rmtree(part, ignore_errors=True)
            with suppress(OSError):
                part.unlink()


def _part_of(target: Path) -> Path:
    return Path(f"{_part_stem(target)}{secrets.token_hex(6)}.part")


@contextmanager
def _explained(shown: Path, target: Path) -> Iterator[None]:
    """Turn what the system says about writing the target into one clear line."""
    try:
        yield
    except OSError as error:
        if error.errno not in _RIGHT or not _concerns(error, target):
            raise
        what = f"nothing written: {os.strerror(error.errno).lower()}"
        raise UserError(what, shown, _RIGHT[error.errno]) from error


def _concerns(error: OSError, target: Path) -> bool:
    """Whether the error is about the target, and not about a file that was read while writing it."""
    if not isinstance(error.filename, str | os.PathLike):
        return True
    named = Path(os.path.abspath(error.filename))
    return target.is_relative_to(named) or str(named).startswith(_part_stem(target))


@contextmanager
def _terminable() -> Iterator[list[int]]:
    """Let a request to terminate unwind the block, so that it cleans up, as Ctrl-C does.

    Gives the list of the requests that came: one that comes in a finalizer, whose exceptions Python
    ignores, does not unwind anything.
    """
    asked: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield asked
        return

    def leave(number: int, frame: FrameType | None) -> NoReturn:
        asked.append(number)
        raise SystemExit(128 + number)

    signals = [s for s in ENDING if signal.getsignal(s) == signal.SIG_DFL]
    for number in signals:
        signal.signal(number, leave)
    try:
        yield asked
    finally:
        for number in signals:
            signal.signal(number, signal.SIG_DFL)


def _names_in(folder: Path) -> Iterator[str]:
    """Every file below a folder, relative to it."""
    for entry in folder.rglob("*"):
        if not entry.is_dir() or entry.is_symlink():
            yield entry.relative_to(folder).as_posix()


def _refuse_foreign(shown: Path, target: Path) -> None:
    other = "choose another folder"
    with _explained(shown, target):
        if not target.exists():
            return
        if not target.is_dir():
            raise UserError("is not a folder", shown, other)
        if Path.cwd().is_relative_to(target):
            raise UserError("is the folder you are in, so it cannot be replaced", shown, other)
        if not any(target.iterdir()):
            return
        if not (target / MANIFEST).is_file():
            raise UserError("holds something that is not an earlier result", shown, f"{other} or empty it")
        # Read before and after: another process may put its result there while we look.
        ours = _manifest(target)
        names = set(_names_in(target))
        added = sorted(names - ours - _manifest(target))
        if added:
            what = f"holds {added[0]}, which is not part of the earlier result"
            raise UserError(what, shown, f"{other} or move that file")


def _manifest(folder: Path) -> set[str]:
    return {MANIFEST, *(line for line in _manifest_lines(folder) if not line.startswith("\t"))}


def _manifest_lines(folder: Path) -> list[str]:
    for _ in range(9):
        # Another process may swap the folder between the look-up of its name and that of the file in it.
        with suppress(FileNotFoundError):
            return (folder / MANIFEST).read_text(encoding="utf-8").splitlines()
    return (folder / MANIFEST).read_text(encoding="utf-8").splitlines()


def _refuse_other_inputs(shown: Path, target: Path, inputs: Mapping[str, str]) -> None:
    with suppress(FileNotFoundError):  # nothing there, or an empty folder
        lines = _manifest_lines(target)
        parts = [line.split("\t") for line in lines if line.startswith("\t")]
        before = {part[1]: part[2] for part in parts if len(part) == 3}
        what = "holds a result that does not say what it was made from" if not before else ""
        for name in [*inputs, *before]:
            if not what and before.get(name) != inputs.get(name):
                what = f"holds a result made with another {name}"
        if what:
            raise UserError(what, shown, "choose another folder, or replace it with --replace")


def _make_parents(folder: Path) -> list[Path]:
    """Make a folder and its parents; gives those that were absent, deepest first."""
    absent = [parent for parent in (folder, *folder.parents) if not parent.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    return absent


def _settle(part: Path, asked: list[int]) -> None:
    """Write a filled folder through to the disk, unless this process was asked to end meanwhile."""
    if asked:
        raise SystemExit(128 + asked[0])
    _sync_all(part)
    sync_folder(part)


def _sync_all(folder: Path) -> None:
    for name in _names_in(folder):
        sync_file(folder / name)


def _put_in_place(shown: Path, part: Path, target: Path, check: Callable[[], None]) -> None:
    # Another process may put its own result there between any two lines: then look again.
    for _ in range(100):
        try:
            part.rename(target)  # onto nothing or an empty folder
            return
        except OSError as error:
            if error.errno not in (errno.ENOTEMPTY, errno.EEXIST, errno.ENOTDIR):
                raise
        check()
        try:
            _exchange(part, target)
            return
        except FileNotFoundError:
            continue
    raise UserError("another process keeps writing this folder", shown, "choose another folder")


def _exchange(part: Path, target: Path) -> None:
    """Swap two folders, in one step where that can be, so that `target` is there at every moment."""
    if exchange(part, target):
        return
    # Two steps, with a moment in which the target is absent.
    old = _part_of(target)
    target.rename(old)
    try:
        part.rename(target)
    except BaseException:
        old.rename(target)
        raise
    shutil.rmtree(old, ignore_errors=True)
