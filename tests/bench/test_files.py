"""Files and folders are written atomically, and outlive a power cut."""

import os
import signal
import stat
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench import files
from bench.errors import UserError
from bench.files import MANIFEST, whole_folder, write_whole
from bench.system import try_lock
from tests import ROOT


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system with room for 64 KiB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)],
        capture_output=True,
        text=True,
        check=False,
    )
    if made.returncode != 0:
        pytest.skip(f"cannot mount a small file system: {made.stderr.strip()}")
    try:
        yield disk
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def start(program: str, *arguments: object) -> subprocess.Popen[str]:
    """Start a Python program and wait for the line with which it says that it is ready."""
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(program), *map(str, arguments)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


FILL_AND_WAIT = """
    import sys, time
    from bench.files import whole_folder
    with whole_folder(sys.argv[1]) as folder:
        (folder / "ticks.csv").write_text("half")
        print("ready", flush=True)
        time.sleep(60)
"""


def fill(path: Path, text: str) -> None:
    with whole_folder(path) as folder:
        for name in ("a.csv", "b.csv"):
            (folder / name).write_text(text)


class TestWriteWhole:
    @given(content=st.binary(max_size=300) | st.text(max_size=100))
    def test_reads_back(self, tmp_path_factory: pytest.TempPathFactory, content: bytes | str) -> None:
        path = tmp_path_factory.mktemp("whole") / "x"
        write_whole(path, content)
        assert path.read_bytes() == (content.encode() if isinstance(content, str) else content)
        assert [p.name for p in path.parent.iterdir()] == ["x"]

    def test_new_file_gets_the_usual_rights_and_an_old_one_keeps_its_own(self, tmp_path: Path) -> None:
        path, usual = tmp_path / "x", tmp_path / "usual"
        usual.touch()
        write_whole(path, "new")
        assert path.stat().st_mode == usual.stat().st_mode
        path.chmod(0o640)
        write_whole(path, "newer")
        assert stat.S_IMODE(path.stat().st_mode) == 0o640

    def test_follows_a_link(self, tmp_path: Path) -> None:
        (tmp_path / "real").write_text("old")
        (tmp_path / "link").symlink_to("real")
        write_whole(tmp_path / "link", "new")
        assert (tmp_path / "link").is_symlink()
        assert (tmp_path / "real").read_text() == "new"

    def test_never_replaces_a_device(self) -> None:
        write_whole("/dev/null", "x")
        assert stat.S_ISCHR(os.stat("/dev/null").st_mode)

    def test_refuses_a_folder_and_an_absent_folder(self, tmp_path: Path) -> None:
        with pytest.raises(UserError, match="is a folder; name a file"):
            write_whole(tmp_path, "x")
        with pytest.raises(UserError, match=r"none/x: nothing written: .*; make the folder first"):
            write_whole(tmp_path / "none" / "x", "x")

    def test_full_disk_keeps_the_old_file(self, tiny_disk: Path) -> None:
        path = tiny_disk / "x"
        write_whole(path, "old")
        with pytest.raises(UserError, match="nothing written: no space left on device; free some space"):
            write_whole(path, b"n" * 1_000_000)
        assert path.read_text() == "old"
        assert [p.name for p in tiny_disk.iterdir()] == ["x"]

    @pytest.mark.parametrize("failure", [KeyboardInterrupt(), MemoryError(), OSError(5, "I/O error")])
    def test_any_failure_keeps_the_old_file(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failure: BaseException
    ) -> None:
        def fail(descriptor: int) -> None:
            raise failure

        path = tmp_path / "x"
        write_whole(path, "old")
        monkeypatch.setattr(files.os, "fsync", fail)
        with pytest.raises(type(failure)):
            write_whole(path, "new")
        assert path.read_text() == "old"
        assert [p.name for p in tmp_path.iterdir()] == ["x"]

    def test_killed_in_the_middle_keeps_the_old_file(self, tmp_path: Path) -> None:
        path = tmp_path / "x"
        write_whole(path, "old")
        process = start(
            """
            import os, sys, time
            from bench import files
            def stuck(descriptor):
                print("ready", flush=True)
                time.sleep(60)
            os.fsync = stuck
            files.write_whole(sys.argv[1], "new")
            """,
            path,
        )
        process.kill()
        process.communicate()
        assert path.read_text() == "old"


class TestWholeFolder:
    def test_makes_it_with_its_parents(self, tmp_path: Path) -> None:
        fill(tmp_path / "out" / "demo", "1")
        assert [p.name for p in (tmp_path / "out").iterdir()] == ["demo"]
        assert {p.name for p in (tmp_path / "out" / "demo").iterdir()} == {MANIFEST, "a.csv", "b.csv"}

    def test_replaces_an_earlier_result_as_a_whole(self, tmp_path: Path) -> None:
        fill(tmp_path / "x", "1")
        with whole_folder(tmp_path / "x") as folder:
            (folder / "sub").mkdir()
            (folder / "sub" / "c.csv").write_text("2")
            assert (tmp_path / "x" / "a.csv").read_text() == "1"
        assert sorted(files._names_in(tmp_path / "x")) == [MANIFEST, "sub/c.csv"]
        fill(tmp_path / "x", "3")
        assert [p.name for p in tmp_path.iterdir()] == ["x"]

    def test_takes_an_empty_folder(self, tmp_path: Path) -> None:
        (tmp_path / "x").mkdir()
        fill(tmp_path / "x", "1")
        assert (tmp_path / "x" / "a.csv").read_text() == "1"

    def test_refuses_what_it_did_not_make(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        foreign = tmp_path / "foreign"
        foreign.mkdir()
        (foreign / "thesis.txt").write_text("years")
        with pytest.raises(UserError, match="foreign: holds something that is not an earlier result; choose"):
            fill(foreign, "1")
        with pytest.raises(UserError, match="is not a folder"):
            fill(foreign / "thesis.txt", "1")
        fill(tmp_path / "x", "1")
        (tmp_path / "x" / "notes.txt").write_text("softer springs")
        with pytest.raises(UserError, match=r"holds notes\.txt, which is not part of the earlier result"):
            fill(tmp_path / "x", "2")
        empty = tmp_path / "empty"
        empty.mkdir()
        monkeypatch.chdir(empty)
        with pytest.raises(UserError, match="the folder you are in"):
            fill(Path(), "1")
        assert (foreign / "thesis.txt").read_text() == "years"
        assert (tmp_path / "x" / "a.csv").read_text() == "1"

    def test_refuses_a_file_added_while_it_worked(self, tmp_path: Path) -> None:
        fill(tmp_path / "x", "1")
        with pytest.raises(UserError, match=r"holds notes\.txt"), whole_folder(tmp_path / "x") as folder:
            (folder / "a.csv").write_text("2")
            (tmp_path / "x" / "notes.txt").write_text("softer springs")
        assert (tmp_path / "x" / "notes.txt").exists()
        assert (tmp_path / "x" / "a.csv").read_text() == "1"

    @pytest.mark.parametrize("failure", [KeyboardInterrupt(), SystemExit(1), ValueError(), UserError("no")])
    def test_a_failure_leaves_everything_as_it_was(self, tmp_path: Path, failure: BaseException) -> None:
        for path in (tmp_path / "new" / "x", tmp_path / "old"):
            if path.name == "old":
                fill(path, "1")
            with pytest.raises(type(failure)), whole_folder(path) as folder:
                (folder / "a.csv").write_text("2")
                raise failure
        assert [p.name for p in tmp_path.iterdir()] == ["old"]
        assert (tmp_path / "old" / "a.csv").read_text() == "1"

    def test_full_disk(self, tiny_disk: Path) -> None:
        fill(tiny_disk / "x", "1")
        with (
            pytest.raises(UserError, match="x: nothing written: no space left on device"),
            whole_folder(tiny_disk / "x") as folder,
        ):
            (folder / "a.csv").write_bytes(b"2" * 1_000_000)
        assert [p.name for p in tiny_disk.iterdir()] == ["x"]
        assert (tiny_disk / "x" / "a.csv").read_text() == "1"

    def test_an_unreadable_input_is_not_blamed_on_the_output(self, tmp_path: Path) -> None:
        with pytest.raises(FileNotFoundError), whole_folder(tmp_path / "x"):
            (tmp_path / "input.csv").read_text()
        assert list(tmp_path.iterdir()) == []

    @pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
    def test_a_signal_cleans_up(self, tmp_path: Path, number: signal.Signals) -> None:
        fill(tmp_path / "x", "1")
        process = start(FILL_AND_WAIT, tmp_path / "x")
        process.send_signal(number)
        process.communicate(timeout=30)
        assert process.returncode != 0
        assert [p.name for p in tmp_path.iterdir()] == ["x"]
        assert (tmp_path / "x" / "a.csv").read_text() == "1"

    def test_a_signal_in_a_finalizer_is_not_lost(self, tmp_path: Path) -> None:
        # Python ignores the exceptions of __del__ and of weakref callbacks, whoever raises them there
        program = """
            import os, signal, sys
            from bench.files import whole_folder
            class Last:
                def __del__(self):
                    os.kill(os.getpid(), signal.SIGTERM)
            with whole_folder(sys.argv[1]) as folder:
                (folder / "a.csv").write_text("2")
                last = Last()
                print("ready", flush=True)
                del last
                (folder / "b.csv").write_text("2")
        """
        fill(tmp_path / "x", "1")
        process = start(program, tmp_path / "x")
        process.communicate(timeout=30)
        assert process.returncode == 128 + signal.SIGTERM
        assert [p.name for p in tmp_path.iterdir()] == ["x"]
        assert (tmp_path / "x" / "a.csv").read_text() == "1"

    def test_killed_in_the_middle_keeps_the_old_result(self, tmp_path: Path) -> None:
        fill(tmp_path / "x", "1")
        process = start(FILL_AND_WAIT, tmp_path / "x")
        process.kill()
        process.communicate()
        assert {p.name for p in (tmp_path / "x").iterdir()} == {MANIFEST, "a.csv", "b.csv"}
        fill(tmp_path / "x", "2")
        assert (tmp_path / "x" / "b.csv").read_text() == "2"

    def test_two_writers_and_a_reader_that_sees_only_whole_results(self, tmp_path: Path) -> None:
        path = tmp_path / "x"
        program = """
            import sys
            from bench.files import whole_folder
            print("ready", flush=True)
            for n in range(40):
                with whole_folder(sys.argv[1]) as folder:
                    for name in ("a.csv", "b.csv"):
                        (folder / name).write_text(f"{sys.argv[2]} {n}")
        """
        fill(path, "first")
        writers = [start(program, path, name) for name in ("one", "two")]
        reads = 0
        deadline = time.monotonic() + 60
        while any(w.poll() is None for w in writers) and time.monotonic() < deadline:
            folder = os.open(path, os.O_RDONLY)  # absent at no moment
            try:
                texts = []
                for name in ("a.csv", "b.csv"):
                    file = os.open(name, os.O_RDONLY, dir_fd=folder)
                    texts.append(os.read(file, 100))
                    os.close(file)
            except FileNotFoundError:
                continue  # opened just before it was replaced and removed
            finally:
                os.close(folder)
            assert texts[0] == texts[1]
            reads += 1
        for writer in writers:
            assert writer.communicate(timeout=30)[1] == ""
            assert writer.returncode == 0
        assert reads > 10
        assert [p.name for p in tmp_path.iterdir()] == ["x"]
        assert (path / "a.csv").read_text() == (path / "b.csv").read_text()

    def test_without_the_swap_of_the_system(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("ctypes.CDLL", lambda *_, **__: object())
        fill(tmp_path / "x", "1")
        fill(tmp_path / "x", "2")
        assert (tmp_path / "x" / "a.csv").read_text() == "2"
        assert [p.name for p in tmp_path.iterdir()] == ["x"]


class Unsynced:
    """A file layer that forgets, at a power cut, each rename whose folder was not written through."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.forgotten: set[Path] = set()
        self._fsync, self._rename, self._replace = os.fsync, Path.rename, Path.replace
        monkeypatch.setattr(os, "fsync", self.fsync)
        monkeypatch.setattr(Path, "rename", lambda one, to: self.renamed(self._rename, one, Path(to)))
        monkeypatch.setattr(Path, "replace", lambda one, to: self.renamed(self._replace, one, Path(to)))
        monkeypatch.setattr(files, "_exchange", lambda one, to: self.renamed(self.swap, one, to))
        self._exchange = files._exchange

    def swap(self, one: Path, to: Path) -> None:
        aside = to.with_name("aside")
        self._rename(to, aside)
        self._rename(one, to)
        self._rename(aside, one)

    def renamed(self, how, one: Path, to: Path):
        self.forgotten.add(to.parent)
        return how(one, to)

    def fsync(self, descriptor: int) -> None:
        self._fsync(descriptor)
        self.forgotten.discard(Path(os.readlink(f"/proc/self/fd/{descriptor}")))


def test_what_was_written_outlives_a_power_cut(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    disk = Unsynced(monkeypatch)
    for content in ("new", "newer"):
        write_whole(tmp_path / "x", content)
        assert not disk.forgotten
        with whole_folder(tmp_path / "result") as folder:
            (folder / "file").write_text(content)
        assert not disk.forgotten


class TestLeftBehind:
    """Parts of processes that were killed, and of such that are still at work."""

    PART = "0123456789ab.part"

    def test_the_next_writer_removes_them(self, tmp_path: Path) -> None:
        (tmp_path / f".x.{self.PART}").write_text("half")
        (tmp_path / f".result.{self.PART}").mkdir()
        (tmp_path / f".result.{self.PART}" / "half").touch()
        write_whole(tmp_path / "x", "whole")
        with whole_folder(tmp_path / "result") as folder:
            (folder / "file").touch()
        assert sorted(path.name for path in tmp_path.iterdir()) == ["result", "x"]

    def test_what_another_process_holds_stays(self, tmp_path: Path) -> None:
        held = tmp_path / f".x.{self.PART}"
        with open(held, "w") as stream:
            assert try_lock(stream.fileno())
            write_whole(tmp_path / "x", "whole")
            assert held.exists()
        write_whole(tmp_path / "x", "whole again")
        assert not held.exists()

    @pytest.mark.parametrize("name", [".x.notes", ".x.0123.part", ".y.0123456789ab.part", "x.part"])
    def test_other_files_stay(self, tmp_path: Path, name: str) -> None:
        (tmp_path / name).write_text("mine")
        write_whole(tmp_path / "x", "whole")
        assert (tmp_path / name).read_text() == "mine"


def test_an_error_is_one_line() -> None:
    assert str(UserError("is empty", Path("run.csv"), "give a trace\nwith rows")) == (
        "run.csv: is empty; give a trace with rows"
    )
    assert str(UserError("odd")) == "odd"


@pytest.mark.parametrize("when", ["it is opened", "it is locked"])
@pytest.mark.parametrize("write", [write_whole, fill])
def test_ctrl_c_while_a_part_is_begun_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, write: Callable[[Path, str], None], when: str
) -> None:
    """At the moments between its making and its use, which a signal seldom meets."""
    opened = os.open

    def stopped(*words: object) -> int:
        monkeypatch.undo()  # cleaning up opens too
        raise KeyboardInterrupt

    def stopped_at_part(path: object, *words: int) -> int:
        return stopped() if str(path).endswith(".part") else opened(path, *words)  # type: ignore[arg-type]

    if when == "it is opened":
        monkeypatch.setattr(os, "open", stopped_at_part)
    else:
        monkeypatch.setattr("bench.system.posix.try_lock", stopped)
    with pytest.raises(KeyboardInterrupt):
        write(tmp_path / "out", "new")
    assert os.listdir(tmp_path) == []
