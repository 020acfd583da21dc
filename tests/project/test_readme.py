"""README is true: what it shows as a command's output is that command's output."""

from __future__ import annotations

import re
import shlex
import subprocess

import pytest

from tests import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")
SHOWN = re.findall(r"<!-- output: (.+?) -->\n```\n(.*?)```", README, flags=re.DOTALL)


def lines(text: str) -> list[str]:
    return [line.rstrip() for line in text.strip().splitlines()]


def test_readme_shows_outputs() -> None:
    assert [command for command, _ in SHOWN].count("bench/run") == 1


@pytest.mark.parametrize(("command", "shown"), SHOWN, ids=[command for command, _ in SHOWN])
def test_output_is_as_shown(command: str, shown: str) -> None:
    """All of bench/run's own output, and of other commands the part that is shown."""
    words = shlex.split(command)
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True, timeout=120)
    printed = lines(done.stdout)
    part = lines(shown)
    if command == "bench/run":
        assert printed == part
    else:
        starts = [at for at in range(len(printed)) if printed[at : at + len(part)] == part]
        assert starts, f"not in the output of {command}:\n" + "\n".join(part)


def test_local_links_and_pictures_exist() -> None:
    for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", README):
        assert (ROOT / target).exists(), target
