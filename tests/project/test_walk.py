"""The way from a run to a verified device: the commands that bench.readme.walk finds there."""

from __future__ import annotations

import shlex

import click

from bench.cli import liftlatch
from bench.readme.walk import HERE, PAGE, PICTURES, not_printed, steps
from tests import ROOT

WALK = PAGE.read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_way_has_all_its_steps_and_options() -> None:
    found = steps(WALK)
    programs = [shlex.split(command)[:2] for command, _ in found]
    assert programs[0][0] == "sed"
    assert programs[1:] == [["bench/run", name] for name in ("fit", "search", "predict", "verify")]
    for command, shown in found[1:]:
        words = shlex.split(command)[1:]
        step = liftlatch.get_command(click.Context(liftlatch), words[0])
        assert step is not None
        known = {name for option in step.params for name in option.opts}
        assert {word for word in words if word.startswith("--")} <= known, command
        assert shown, command
    for name in PICTURES:
        assert (HERE / name).is_file()
        assert f"(bench/readme/{name})" in README or f"(../readme/{name})" in WALK


def test_what_was_not_printed_is_named() -> None:
    printed = "title\n  one   1.0\nrun.csv: equal, 12 ticks (every\n  output), 300 a second\n"
    assert (
        not_printed(["    one 1.0", "    run.csv: equal, 12 ticks (every output), 99 a second"], printed)
        == []
    )
    assert not_printed(["    one 1.1"], printed) == ["one 1.1"]
