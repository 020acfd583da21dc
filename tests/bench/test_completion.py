"""Completion of the command line, in real shells: bash always, zsh and fish where they are installed."""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest
from click.shell_completion import CompletionItem

from bench import cli
from bench.completion import SHELLS, VARIABLE
from bench.device.bugs import BUGS
from bench.search.limits import read_limits
from bench.sweep.vary import find_key
from tests import ROOT
from tests.sweep_support import demo

BIN = Path(sys.executable).parent
TRIES = """
source <(liftlatch completion bash)
for line in "$@"; do
    read -ra COMP_WORDS <<< "$line"
    [[ $line == *' ' ]] && COMP_WORDS+=("")
    COMP_CWORD=$((${#COMP_WORDS[@]} - 1))
    _liftlatch_completion liftlatch 2> /dev/null  # compopt complains outside of a real press of the key
    printf '%s\\t' "${COMPREPLY[@]}"
    echo
done
"""


def environment() -> dict[str, str]:
    return {**os.environ, "PATH": f"{BIN}{os.pathsep}{os.environ['PATH']}"}


def in_bash(*lines: str, cwd: Path = ROOT) -> list[list[str]]:
    """What bash offers at the end of each line."""
    words = ["bash", "--norc", "-c", TRIES, "bash", *lines]
    done = subprocess.run(
        words, cwd=cwd, env=environment(), capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stderr == ""
    return [[word for word in line.split("\t") if word] for line in done.stdout.splitlines()]


def offered(words: Sequence[str], incomplete: str = "") -> list[CompletionItem[str]]:
    """What click finds, in this process."""
    return SHELLS["bash"](cli.liftlatch, {}, "liftlatch", VARIABLE).get_completions(list(words), incomplete)


def values(words: Sequence[str], incomplete: str = "") -> list[str]:
    return [item.value for item in offered(words, incomplete)]


def test_real_bash(tmp_path: Path) -> None:
    for name in ("run.csv", "RUN2.CSV", "notes.pdf", "car.toml"):
        (tmp_path / name).touch()
    (tmp_path / "season").mkdir()
    commands, files, calibrations, folders = in_bash(
        "liftlatch re", "liftlatch replay ", "liftlatch replay run.csv --calibration ", "liftlatch demo ",
        cwd=tmp_path,
    )  # fmt: skip
    assert commands == ["replay", "record"]
    assert sorted(files) == ["RUN2.CSV", "run.csv", "season"]
    assert calibrations == ["car.toml", "season"]
    assert folders == ["season"]


def test_commands_and_options() -> None:
    found = offered([])
    assert [item.value for item in found] == list(cli.COMMANDS)
    assert all(item.help for item in found)
    assert set(values(["calibration"])) == {"check", "show", "compile"}
    assert values(["replay"], "--max") == ["--max-gap"]
    assert "--json" in values(["compare"], "--")


def test_every_word_that_is_offered_is_one_that_is_taken() -> None:
    assert set(values(["device", "--bug"])) == set(BUGS)
    for word in values(["search", "--limit"]):
        assert read_limits([f"{word}3"])
    car = ["sweep", "x.csv", "--calibration", str(ROOT / "traces" / "demo.toml"), "--vary"]
    keys = values(car)
    assert "latch.hold_ms=" in keys
    for word in keys:
        assert find_key(word.removesuffix("="), demo()) == word.removesuffix("=")
    assert values(car, "latch.hold") == ["latch.hold_ms=", "latch.hold_from="]


def test_columns_of_the_trace() -> None:
    trace = ROOT / "traces" / "clean_launch.csv"
    header = trace.read_text(encoding="utf-8").splitlines()[0].split(",")
    assert values(["replay", str(trace), "--height-column"]) == header
    assert values(["replay", str(trace), "--height-column"], "Nose") == ["Nose height"]


@pytest.mark.parametrize("name", ["missing.csv", "folder", "empty.csv", "binary.csv", "bad.toml"])
def test_files_that_say_nothing_offer_nothing(tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "empty.csv").touch()
    (tmp_path / "binary.csv").write_bytes(bytes(range(256)))
    (tmp_path / "bad.toml").write_text("= = =")
    file = str(tmp_path / name)
    assert values(["replay", file, "--height-column"]) == []
    assert values(["sweep", "x.csv", "--calibration", file, "--vary"]) == []


@pytest.mark.slow
def test_a_press_of_the_key_is_quick() -> None:
    """Below 0.3 s, told by the processor's time so that a busy machine does not count; the best of three."""
    asked = {**environment(), "COMP_WORDS": "liftlatch replay --", "COMP_CWORD": "2"}
    taken = []
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        words = ["liftlatch"]
        done = subprocess.run(
            words, env={**asked, VARIABLE: "bash_complete"}, capture_output=True, text=True, check=True
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        assert "--calibration" in done.stdout
        taken.append(after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)
    assert min(taken) < 0.3


def need(shell: str) -> None:
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not here; run: apt-get install {shell}")


@pytest.mark.slow
def test_real_fish() -> None:
    need("fish")
    lines = (
        "liftlatch rep", "liftlatch replay traces/clean",
        "liftlatch replay traces/clean_launch.csv --height-column No",
        "liftlatch replay x.csv --calibration traces/demo_f", "liftlatch device --bug h",
    )  # fmt: skip
    script = "liftlatch completion fish | source\n" + "".join(f'complete -C "{line}"\n' for line in lines)
    done = subprocess.run(
        ["fish", "--no-config", "-c", script], cwd=ROOT, env=environment(), capture_output=True, text=True,
        check=True, timeout=60,
    )  # fmt: skip
    found = [line.split("\t")[0] for line in done.stdout.splitlines() if line]
    assert found == [
        "replay", "traces/clean_launch.csv", "Nose height", "traces/demo_front_wheel.toml", "hold-short"
    ]  # fmt: skip


@pytest.mark.slow
def test_the_script_for_zsh_is_one_that_zsh_reads() -> None:
    """Its completion widgets need a person at a terminal; here it is read and its function is there."""
    need("zsh")
    script = (
        "autoload -Uz compinit; compinit -u -D; source <(liftlatch completion zsh);"
        " whence -w _liftlatch_completion"
    )
    done = subprocess.run(
        ["zsh", "-f", "-c", script], env=environment(), capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout == "_liftlatch_completion: function\n"
    assert done.stderr == ""
