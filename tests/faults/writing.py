"""What every command that writes does when it cannot, or is ended on the way."""

from __future__ import annotations

import json
import random
import subprocess
import time
from pathlib import Path

from bench.files import MANIFEST
from tests import ROOT
from tests.faults.support import (
    PROGRAM,
    Done,
    Forker,
    Writer,
    content,
    device,
    forker,
    small_disk,
    write_trace,
    writers,
)

_NOBODY = 65534


def _chosen(folder: Path, long: bool) -> dict[str, Writer]:
    return {name: writer for name, writer in writers(folder).items() if long or name != "fit"}


def _size(path: Path) -> int:
    files = [path] if path.is_file() else [f for f in path.rglob("*") if f.is_file()]
    return sum(-(-f.stat().st_size // 4096) * 4096 for f in files)


def _fine(done: Done) -> None:
    assert done.code == 0, done.err


def full_disk(folder: Path, long: bool) -> str:
    """A disk with room for one result and a half, then one with room for a third of one."""
    count = 0
    with forker(folder) as fork:
        for name, writer in _chosen(folder, long).items():
            made = folder / "made"
            _fine(fork.run(*writer.words, made))
            size = _size(made)
            with small_disk(folder / "disk", size + size // 2) as disk:
                target = disk / "x"
                _fine(fork.run(*writer.words, target))
                old = content(target)
                (disk / "filling").write_bytes(bytes(size // 4))
                assert "no space left on device" in fork.run(*writer.otherwise, target).refusal, name
                assert content(target) == old, name
                assert {one.name for one in disk.iterdir()} == {"x", "filling"}, name
            with small_disk(folder / "disk", max(4096, size // 3)) as disk:
                (disk / "filling").write_bytes(bytes(4096))
                assert "no space left on device" in fork.run(*writer.words, disk / "x").refusal, name
                if name == "search":  # what there was room for is kept, to go on with
                    _whole(disk / "x")
                    subprocess.run(["rm", "-rf", disk / "x"], check=True)
                assert [one.name for one in disk.iterdir()] == ["filling"], name
            subprocess.run(["rm", "-r", made], check=True)
            count += 2
        with small_disk(folder / "disk", 65536) as disk:
            assert "no space left on device" in fork.run("demo", disk).refusal
            assert all(
                one.read_bytes() == (ROOT / "traces" / one.name).read_bytes() for one in disk.iterdir()
            )
            count += 1
    return f"{count} full disks"


def file_too_large(folder: Path, long: bool) -> str:
    """A limit for the size of a file (RLIMIT_FSIZE), and a device that is always full."""
    count = 0
    with forker(folder) as fork:
        for name, writer in _chosen(folder, long).items():
            target = folder / "x"
            _fine(fork.run(*writer.otherwise, target))
            old = content(target)
            largest = len(old) if isinstance(old, bytes) else max(map(len, (old or {}).values()))
            refusal = fork.run(*writer.words, target, fsize=largest // 2).refusal
            assert "file too large" in refusal, refusal
            assert content(target) == old, name
            subprocess.run(["rm", "-r", target], check=True)
            assert not list(folder.glob(".x.*")), name
            count += 1
        full = fork.run("calibration", "compile", ROOT / "traces" / "demo.toml", "--out", "/dev/full")
        assert "no space left on device" in full.refusal
    done = subprocess.run(
        ["sh", "-c", 'exec "$@" >/dev/full', "sh", *PROGRAM, "trace", "show", str(folder / "run.csv")],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr.count("\n")) == (2, 1), done.stderr
    return f"{count + 2} files too large"


def no_rights(folder: Path, long: bool) -> str:
    """Another user's folder, another user's old result, and an input that may not be read."""
    for part in ROOT.resolve().parents:
        if not part.stat().st_mode & 0o001:
            raise PermissionError(f"{part} is closed to other users, so none of them can run anything here")
    count = 0
    folder.chmod(0o755)
    with forker(folder) as fork:
        for name, writer in _chosen(folder, long).items():
            fork.warm(*writer.words, folder / f"warm {name}")
            theirs = folder / "theirs"
            theirs.mkdir(mode=0o755)
            refusal = fork.run(*writer.words, theirs / "x", uid=_NOBODY).refusal
            assert "permission denied" in refusal, (name, refusal)
            assert str(theirs / "x") in refusal, (name, refusal)
            assert not any(theirs.iterdir()), name
            _fine(fork.run(*writer.otherwise, theirs / "x"))
            old = content(theirs / "x")
            assert "permission denied" in fork.run(*writer.words, theirs / "x", uid=_NOBODY).refusal, name
            assert content(theirs / "x") == old, name
            subprocess.run(["rm", "-r", theirs], check=True)
            count += 2
        secret = folder / "run.csv"
        secret.chmod(0o600)
        refusal = fork.run("trace", "show", secret, uid=_NOBODY).refusal
        assert "is not readable" in refusal, refusal
        calibration = folder / "other.toml"
        calibration.chmod(0o600)
        refusal = fork.run("calibration", "check", calibration, uid=_NOBODY).refusal
        assert str(calibration) in refusal
    return f"{count + 2} refusals"


def _after_a_kill(name: str, target: Path, old: object, new: object) -> None:
    now = content(target)
    assert now in (None, old, new) if old is None else now in (old, new), f"{name}: half a result"


def killed(folder: Path, long: bool) -> str:
    """SIGKILL before each change on the disk (short: before some), and at random moments between them. What
    is left is the old result or the new one or nothing, and the next run does not stumble over it."""
    dice = random.Random(1)
    count = 0
    with forker(folder) as fork:
        for name, writer in _chosen(folder, long).items():
            target = folder / "place" / "x"
            target.parent.mkdir()
            watch = str(target.parent)
            _fine(fork.run(*writer.otherwise, target))
            old = content(target)
            # The search goes on from what it finds, and refuses what another search left.
            if name == "search":
                subprocess.run(["rm", "-r", target], check=True)
                old = None
            usual = fork.run(*writer.words, target, watch=watch)
            _fine(usual)
            new = content(target)
            points = list(range(1, usual.changes + 1))
            times = 20 if long else 2
            if name == "fit" or (not long and name not in ("calibration compile", "vectors")):
                points, times = [points[0], *points[-2:]], 1
            moments: list[dict[str, float]] = [{"kill_at": point} for point in points]
            moments += [{"kill_after": dice.uniform(0, usual.seconds)} for _ in range(times)]
            for fault in moments:
                subprocess.run(["rm", "-rf", watch], check=True)
                target.parent.mkdir()
                if old is not None and dice.random() < 0.7:
                    _fine(fork.run(*writer.otherwise, target))
                    before: object = old
                else:
                    before = None
                done = fork.run(*writer.words, target, watch=watch, **fault)
                assert done.code in (-9, 0), done.err
                if name == "search":
                    _search_goes_on(fork, writer, target)
                else:
                    _after_a_kill(name, target, before, new)
                    if dice.random() < 0.3:
                        _fine(fork.run(*writer.words, target))
                        assert content(target) == new, name
                count += done.code == -9
            subprocess.run(["rm", "-rf", watch], check=True)
        count += _demo_killed(fork, folder, dice, 30 if long else 4)
    return f"{count} kills"


def _search_goes_on(fork: Forker, writer: Writer, target: Path) -> None:
    """Whatever a killed search left, the same command ends well and the result is whole."""
    done = fork.run(*writer.words, target)
    _fine(done)
    assert "calibration.toml" in _whole(target)


def _whole(folder: Path) -> set[str]:
    """The names in a folder, of which all must be there or the folder not at all."""
    there = {str(f.relative_to(folder)) for f in folder.rglob("*") if f.is_file()}
    if there:
        lines = (folder / MANIFEST).read_text().splitlines()
        # those that begin with a tab are what it was made from
        assert {*(line for line in lines if not line.startswith("\t")), MANIFEST} == there
    return there


def _demo_killed(fork: Forker, folder: Path, dice: random.Random, times: int) -> int:
    """The demo's folder fills file by file: each of them is whole, and the next run makes all of them."""
    place = folder / "demo"
    place.mkdir()
    usual = fork.run("demo", place, watch=str(place))
    _fine(usual)
    whole = content(place)
    assert isinstance(whole, dict)
    count = 0
    for _ in range(times):
        for path in place.iterdir():
            path.unlink()
        done = fork.run("demo", place, watch=str(place), kill_at=dice.randint(1, usual.changes))
        left = content(place)
        assert isinstance(left, dict)
        assert all(whole.get(name) == data for name, data in left.items() if not name.startswith("."))
        count += done.code == -9
    _fine(fork.run("demo", place))
    left = content(place)
    assert isinstance(left, dict)
    assert {name: data for name, data in left.items() if not name.startswith(".")} == whole
    return count


def two_writers(folder: Path, long: bool) -> str:
    """Two processes write the same place at once: one result stays, whole."""
    times = 20 if long else 2
    names = ("replay", "sweep", "vectors", "predict", "calibration compile")
    count = 0
    for name in names if long else names[2:3]:
        writer = writers(folder)[name]
        target = folder / "x"
        results = []
        for words in (writer.words, writer.otherwise):
            subprocess.run([*PROGRAM, *words, str(target)], cwd=ROOT, check=True, capture_output=True)
            results.append(content(target))
        for _ in range(times):
            both = [
                subprocess.Popen(
                    [*PROGRAM, *words, str(target)], cwd=ROOT,
                    stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
                )
                for words in (writer.words, writer.otherwise)
            ]  # fmt: skip
            for process in both:
                _, err = process.communicate(timeout=120)
                assert process.returncode in (0, 2), err
                assert process.returncode == 0 or err.count("\n") == 1, err
            assert content(target) in results, f"{name}: a mixture"
            assert not list(folder.glob(".x.*")), "something is left over"
            count += 1
        subprocess.run(["rm", "-r", target], check=True)
    return f"{count} times two writers"


def orphans(folder: Path, long: bool) -> str:
    """A sweep in processes of its own is killed: they end too, soon."""
    words = writers(folder)["sweep"].words
    many = (*(w.replace("=0,200", "=0:600:2") for w in words), str(folder / "x"), "--core", "reference")
    for _ in range(5 if long else 1):
        process = subprocess.Popen(
            [*PROGRAM, *many],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        until = time.monotonic() + 30
        while len(_session(process.pid)) < 4:
            assert time.monotonic() < until, "it starts no processes"
            time.sleep(0.05)
        process.kill()
        process.wait()
        until = time.monotonic() + 15
        while left := _session(process.pid):
            assert time.monotonic() < until, f"{len(left)} processes outlive their parent"
            time.sleep(0.05)
    return "no process outlives its parent"


def _session(number: int) -> list[int]:
    """The processes of a session."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except (FileNotFoundError, ProcessLookupError):
            continue
        if int(fields[3]) == number and fields[0] != "Z":
            found.append(int(stat.parent.name))
    return found


def device_runs_killed(folder: Path, long: bool) -> str:
    """SIGKILL before each change on the disk of a verify and of a recording: what is there is whole, and the
    device answers the next one."""
    run = write_trace(folder / "short.csv", 1.0)
    demo = ("--calibration", str(ROOT / "traces" / "demo.toml"))
    count = 0
    with device("--plays", str(run), *demo) as port, forker(folder) as fork:
        for words in (
            ("verify", str(run), *demo, "--port", port, "--disarm", "--out"),
            ("record", "--port", port, "--seconds", "0.4"),
        ):
            target = folder / "place" / "x"
            target.parent.mkdir()
            watch = str(target.parent)
            usual = fork.run(*words, target, watch=watch)
            _fine(usual)
            for point in [*range(1, usual.changes + 1)] * (5 if long else 1):
                if words[0] == "record":
                    target.unlink(missing_ok=True)  # it replaces none
                done = fork.run(*words, target, watch=watch, kill_at=point)
                assert done.code in (-9, 0), done.err
                if words[0] == "verify":
                    assert json.loads((target / "verify.json").read_text())["verdict"] == "equal"
                    assert len(_whole(target)) >= 3
                elif target.exists():
                    head, *rows = target.read_text().splitlines()
                    assert len(rows) > 100
                    assert all(row.count(",") == head.count(",") for row in rows)
                count += done.code == -9
            subprocess.run(["rm", "-r", watch], check=True)
    return f"{count} kills"
