"""What commands say of hostile names, values and files: one clear line, soon, that no terminal obeys."""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import click

from bench.cli import COMMANDS, LazyGroup, liftlatch
from tests.faults.support import CAR, DEMO, Forker, forker, write_trace

# Colour, the title of a terminal, a bell, a return to the line's start, C1's own escape, a turn of direction.
HOSTILE = "a\x1b[31mb\x1b]0;c\x07d\re\x9b2Jf\u202eg"
_OBEYED = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
_ENDLESS_S = 4
_SOON_S = 10  # a second where nothing else runs; what once took long took minutes


def _commands() -> Iterator[tuple[tuple[str, ...], click.Command]]:
    context = click.Context(liftlatch)
    assert isinstance(liftlatch, LazyGroup)
    for name in COMMANDS:
        command = liftlatch.get_command(context, name)
        if isinstance(command, click.Group):
            for inner, one in command.commands.items():
                yield (name, inner), one
        elif command is not None:
            yield (name,), command


def _said(
    fork: Forker, folder: Path, *words: str | Path, seconds: float = _ENDLESS_S
) -> tuple[int, str, str]:
    """Of a command that may serve for ever: how it ended, and what it said until then."""
    out, err = folder / "said.txt", folder / "complained.txt"
    told = fork.ask({
        "words": [str(word) for word in words], "out": str(out), "err": str(err), "cwd": str(folder),
        "timeout": seconds,
    })  # fmt: skip
    return told["code"], out.read_text(errors="replace"), err.read_text(errors="replace")


def escapes(folder: Path, long: bool) -> str:
    """Every command with control characters in each argument and option, and over files of such names."""
    count = 0
    place = folder / "place"
    place.mkdir()
    names = {end: place / f"{HOSTILE}.{end}" for end in ("csv", "toml", "car.toml")}
    write_trace(names["csv"], 2.5)
    shutil.copy(DEMO, names["toml"])
    shutil.copy(CAR, names["car.toml"])
    with forker(folder) as fork:
        lines: list[tuple[str | Path, ...]] = []
        for words, command in _commands():
            lines += [(*words, HOSTILE), (*words, f"--{HOSTILE}")]
            options = [one for one in command.params if isinstance(one, click.Option) and not one.is_flag]
            lines += [(*words, one.opts[0], HOSTILE) for one in (options if long else options[:3])]
        files = (names["csv"], "--calibration", names["toml"])
        lines += [
            ("trace", "show", names["csv"]),
            ("trace", "show", names["toml"]),
            ("calibration", "check", names["toml"]),
            ("calibration", "check", names["car.toml"]),
            ("calibration", "show", names["toml"]),
            ("calibration", "compile", names["toml"], "--out", place / f"{HOSTILE}.bin"),
            ("replay", *files, "--out", place / HOSTILE, "--expect", "2"),
            ("vectors", *files, "--ticks", "100", "--out", place / f"{HOSTILE} vectors"),
            ("compare", *files, "--calibration", names["toml"], "--out", place / f"{HOSTILE} compared"),
            ("predict", "--vehicle", names["car.toml"], "--calibration", names["toml"], "--distance", "60"),
            ("load", "--calibration", names["toml"], "--port", HOSTILE),
        ]
        for line in lines:
            code, out, err = _said(fork, place, *line)
            for text in (out, err):
                raw = _OBEYED.search(text)
                assert raw is None, f"{line}: {text[max(0, raw.start() - 60) : raw.end() + 20]!r}"
            if code == 2:
                assert err.startswith(("liftlatch: ", "Usage: ")), (line, err)
            count += 1
    return f"{count} command lines"


def _hostile_tomls() -> dict[str, tuple[str, str]]:
    """Files that once took long or were told in other words: content, and what must be said of it."""
    demo = DEMO.read_text()
    line = demo.count("\n") + 1
    twice = demo.replace("[latch]", "[latch]\nhold_ms = 10\nhold_ms = 20", 1)
    at = twice[: twice.index("hold_ms = 20")].count("\n") + 1
    return {
        "twice": (twice, f":{at}: is not TOML: hold_ms is given twice"),
        "section": (f"{demo}\n[latch]\n", "is given twice"),
        "comma": ("[car]\ndroop_mm = 1,5\n", ":2: is not TOML: droop_mm has a decimal comma"),
        "parts": (f"{demo}[{'.'.join('a' * 100_000)}]\n", f":{line}: has a name of more than 50 parts"),
        "dots": (f"{demo}{'.'.join('a' * 100_000)} = 1\n", f":{line}: has a name of more than 50 parts"),
        "digits": (f"{demo}x = {'9' * 5000}\n", f":{line}: has a number of more than 400 digits"),
        "deep": (f"{demo}x = {'[' * 100_000}\n", f":{line}: is nested too deeply"),
        "many": (demo + "".join(f"[s{i}]\n" for i in range(60)), "and 40 more mistakes"),
        "traces": ("Time [s],Height [mm],Speed\n0,1,2\n", ":1: looks like a table of numbers, and no"),
    }


def hostile_files(folder: Path, long: bool) -> str:
    """Texts, pipes and devices in the place of calibrations, cars, layouts and outputs, and each kind of file
    in the place of another: one line that names the place, soon."""
    count = 0
    place = folder / "place"
    place.mkdir()
    pipe = place / "pipe"
    os.mkfifo(pipe)
    trace = write_trace(place / "run.csv", 2.5)
    takers: dict[str, tuple[str | Path, ...]] = {
        "calibration": ("calibration", "check"),
        "car": ("predict", "--calibration", DEMO, "--vehicle"),
        "layout": ("trace", "show", trace, "--layout"),
    }
    with forker(folder) as fork:
        fork.run("calibration", "check", DEMO)  # which waits until everything is imported

        def refused(right: str, *words: str | Path, lines: int = 1) -> None:
            nonlocal count
            began = time.monotonic()
            code, out, err = _said(fork, place, *words, seconds=_SOON_S)
            assert (code, out) == (2, ""), (words, code, out, err)
            assert err.count("\n") == lines, (words, err)
            assert right in err, (words, err)
            assert time.monotonic() - began < _SOON_S, words
            count += 1

        for name, (text, right) in _hostile_tomls().items():
            path = place / f"{name}.toml"
            path.write_text(text)
            for kind, words in takers.items():
                if name != "many" or kind == "calibration":
                    refused(right, *words, path, lines=21 if name == "many" else 1)
        for words in takers.values():
            refused("is not a file", *words, pipe)
            refused("is not a file", *words, "/dev/zero")
        refused("nobody reads this pipe", "calibration", "compile", DEMO, "--out", pipe)
        refused("is not a folder", "replay", trace, "--calibration", DEMO, "--out", pipe)
        refused("is not a file", "replay", pipe, "--calibration", DEMO)
        refused("is a car file, and no calibration", "replay", trace, "--calibration", CAR)
        refused("is a calibration file, and no car", *takers["car"], DEMO)
        refused("is a TOML file, not a trace", "replay", DEMO, "--calibration", DEMO)
        refused("is a TOML file, not a trace", "trace", "show", CAR)
        (place / "pipe.toml").unlink(missing_ok=True)
        os.mkfifo(place / "pipe.toml")  # beside a trace, where layouts are looked for
        assert _said(fork, place, "trace", "show", trace)[0] == 0
    return f"{count} refusals"
