"""How strong the black box is: named bugs and mutants of the C core that it finds by edges alone.

Run by `python -m tests.mutation --black-box`. Runs are the demo traces, the cases of the conformance set as
far as wires carry them, and the runs made for three calibrations. The controller under test is a unit within
the usual limits (noise 2 counts, drift 100 ppm, ...); a mutant counts that changes a command or an event of
the conformance set.
"""

from __future__ import annotations

import random
import struct
import subprocess
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from rich.console import Console

import controller.step
from bench.blackbox.judge import FIRST, MORE, Excursion, Judge
from bench.blackbox.played import Played, played
from bench.blackbox.stories import STORIES, story
from bench.blackbox.unit import Limits, Seen, Unit, edges, reference, run_core, seen
from bench.calibration import load
from bench.conformance.chosen_set import conformance_set
from bench.console import make_table, print_list, print_table
from bench.device.bugs import BUGS
from bench.files import write_whole
from bench.link.protocol import INPUT, Records
from bench.link.reading import Reading
from controller import Controller
from controller.height import Height
from tests import ROOT
from tests.hazards.taken_out import VARIANTS
from tests.mutation.conformance import listed
from tests.mutation.core_mutants import Mutant, all_mutants
from tests.mutation.core_run import CHECK, CORE

RUNNER = Path(__file__).with_name("black_box_runner.c")
PAGE = ROOT / "bench" / "blackbox" / "README.md"
BEGIN, END = "<!-- strength -->", "<!-- end of strength -->"
LEAST_PERCENT = 80.0
RIGHT_UNITS = 20
"""Units with the right firmware that are judged in each run."""
CALIBRATIONS = {"clean_launch": "demo", "front_wheel_speed": "demo_front_wheel"}
SLOW = {
    "tick_ms = 1 ": "tick_ms = 10 ", "period_ms = 1 ": "period_ms = 10 ",
    "confirm_ms = 20": "confirm_ms = 200", "fastest_mm_per_ms = 5": "fastest_mm_per_ms = 0.5",
    "heal_ms = 50": "heal_ms = 200",
    "time_constant_ms = 4": "time_constant_ms = 10",
}  # fmt: skip
"""What makes of plain.toml one whose tick lasts ten milliseconds, some cylinder events."""
_INPUT = np.dtype([("tick", "<u2"), *INPUT.descr])
_EVENT = np.dtype([("bits", "u1"), ("retard", "<u2")])


@dataclass(frozen=True)
class Raw:
    """What a mutant made of one run: `commands`, a CRC over those of its ticks, None where it did not come to
    the end; and of each crank event its bits and retard."""

    commands: int | None
    events: Records


def build(folder: Path) -> Path:
    """The runner with every mutant, compiled into a folder."""
    source, program = folder / "mutants.c", folder / "black_box_runner"
    source.write_text(all_mutants()[0])
    words = ["gcc", "-std=gnu99", "-O1", "-w", "-fno-strict-overflow", f"-I{CORE}", f"-I{CHECK}"]
    subprocess.run([*words, str(source), str(RUNNER), "-o", str(program)], check=True)
    return program


def answers(
    program: Path, runs: Sequence[tuple[bytes, Records]], mutants: Sequence[int], seconds: float = 0.5
) -> Iterator[list[Raw]]:
    """What each mutant makes of runs, (image, INPUT records[n]) each; mutant 0 is the core as it is."""
    with TemporaryDirectory() as place:
        data = Path(place, "runs")
        parts = [struct.pack("<ii", len(runs), 0)]
        for image, records in runs:
            inputs = np.zeros(len(records), _INPUT)
            inputs["tick"] = np.arange(len(records)) & 0xFFFF
            for name in INPUT.names or ():
                inputs[name] = records[name]
            parts.append(struct.pack("<ii", len(records), int(records["events"].sum())))
            parts += [image + bytes(-len(image) % 8), inputs.tobytes() + bytes(-inputs.nbytes % 8)]
        data.write_bytes(b"".join(parts))
        sizes = [5 + 3 * int(records["events"].sum()) for _, records in runs]
        words = [str(program), str(data), str(seconds), *map(str, mutants)]
        with subprocess.Popen(words, stdout=subprocess.PIPE) as running:
            assert running.stdout is not None
            for _ in mutants:
                found = []
                for size in sizes:
                    said = running.stdout.read(size)
                    crc = None if said[0] else int.from_bytes(said[1:5], "little")
                    found.append(Raw(crc, np.frombuffer(said[5:], _EVENT)))
                yield found


class Trial:
    """One run, a unit for what is tried, and the judge."""

    def __init__(self, name: str, run: Played, number: int, limits: Limits, more: int | None = None) -> None:
        self.name, self.run, self.limits = name, run, limits
        self.unit = Unit.drawn(limits, 7000 + number)
        self.read: Seen = seen(run.wires, run.calibration, self.unit)
        self.judge = Judge(run, limits, more=more)

    def first(self, made: Any) -> Excursion | None:
        """Where edges leave the envelope first."""
        found = self.judge.judge(made).found
        return found[0] if found else None

    @cached_property
    def right(self) -> Any:
        """The edges of the controller as it is."""
        return self.of_core(loaded(Controller, self.run.image))

    def of_core(self, core: Any) -> Any:
        """The edges of a loaded controller."""
        return run_core(self.run.calibration, self.unit, self.read, core)


def traces() -> Iterator[tuple[str, Played]]:
    """The demo traces."""
    for path in sorted((ROOT / "traces").glob("*.csv")):
        calibration = load(ROOT / "traces" / f"{CALIBRATIONS.get(path.stem, 'plain')}.toml")
        yield path.stem, played(Reading().inputs(path, calibration)[2], calibration.image)


def cases() -> Iterator[tuple[str, Played]]:
    """The cases of the conformance set, as far as wires carry them."""
    for number, case in enumerate(conformance_set().cases, 1):
        yield f"case-{number}", played(case.run[1], case.image)


def made() -> Iterator[tuple[str, Played]]:
    """The runs made for plain.toml, demo.toml and a slow one."""
    images = {name: load(ROOT / "traces" / f"{name}.toml").image for name in ("plain", "demo")}
    text = (ROOT / "traces" / "plain.toml").read_text(encoding="utf-8")
    for was, becomes in SLOW.items():
        assert was in text, was
        text = text.replace(was, becomes)
    with TemporaryDirectory() as place:
        path = Path(place, "slow.toml")
        path.write_text(text, encoding="utf-8")
        images["slow"] = load(path).image
    for name, image in images.items():
        for one in STORIES:
            yield f"{name}-{one}", played(story(one, image), image)


def not_on_wires() -> tuple[int, int, int]:
    """Of the conformance cases: how many have no crank event, tick numbers that jump, inputs out of range."""
    silent = jumping = beyond = 0
    for case in conformance_set().cases:
        numbers, records = case.run
        run = played(records, case.image)
        silent += not len(run.crank)
        jumping += bool((np.diff(numbers) != 1).any())
        rows = run.rows[run.before : run.before + len(records)]
        beyond += any((rows[name] != records[name]).any() for name in INPUT.names or () if name != "events")
    return silent, jumping, beyond


def named() -> dict[str, type]:
    """The named bugs: those of the device model, and the controllers of the hazard suite that lack a rule."""
    return {**BUGS, **{variant.part.__name__: variant.part for variant in VARIANTS}}  # type: ignore[dict-item]


def loaded(part: type, image: bytes) -> Any:
    """A controller with a named bug and an image."""
    if issubclass(part, Controller):
        whole = part()
        assert whole.load(image) == 0
        return whole
    name = "Height" if issubclass(part, Height) else "Lift"
    usual = getattr(controller.step, name)
    setattr(controller.step, name, part)
    try:
        whole = Controller()
        assert whole.load(image) == 0
        return whole
    finally:
        setattr(controller.step, name, usual)


def wrongly_called(trials: Sequence[Trial], units: int = RIGHT_UNITS) -> list[str]:
    """The right firmware in so many units a run: those that are called different."""
    found = []
    for trial in trials:
        for number in range(units):
            one = trial.first(reference(trial.run, Unit.drawn(trial.limits, 9_000_000 + number)))
            if one is not None:
                found.append(f"{trial.name}, unit {number}: {one.channel.name}")
    return found


def find_named(trials: Sequence[Trial], say: Callable[[str], None]) -> dict[str, str]:
    """Named bug -> the first run that finds it, or why none does."""
    told = {}
    for name, part in named().items():
        moved, found = 0, ""
        for trial in trials:
            usual = trial.right
            got = trial.of_core(loaded(part, trial.run.image))
            names = ("fuel", "fuel_us", "spark", "spark_us")
            if all((getattr(got, one) == getattr(usual, one)).all() for one in names):
                continue
            moved += 1
            if (one := trial.first(got)) is not None:
                found = f"{trial.name}: {one.channel.name}"
                break
        not_found = f"not found; edges differ in {moved} runs" if moved else "not found; no edge differs"
        told[name] = found or not_found
        say(f"{name}: {told[name]}")
    return told


def find_mutants(
    program: Path, trials: Sequence[Trial], numbers: Sequence[int], say: Callable[[str], None]
) -> tuple[list[int], dict[int, str]]:
    """(the mutants that change a command or an event of the conformance set, those found with the run)"""
    exact = [(case.image, case.run[1]) for case in conformance_set().cases]
    right = next(answers(program, exact, [0]))
    change = [
        number
        for number, raws in zip(numbers, answers(program, exact, numbers), strict=True)
        if any(
            raw.commands != usual.commands or (raw.events != usual.events).any()
            for raw, usual in zip(raws, right, strict=True)
        )
    ]
    runs = [(trial.run.image, trial.read.inputs) for trial in trials]
    right = next(answers(program, runs, [0]))
    found: dict[int, str] = {}
    for done, (number, raws) in enumerate(zip(change, answers(program, runs, change), strict=True), 1):
        for trial, raw, usual in zip(trials, raws, right, strict=True):
            if raw.commands is None:
                found[number] = f"{trial.name}: it stopped"
                break
            if (raw.events == usual.events).all():
                continue
            bits, retard = (raw.events[name].astype(np.int64) for name in ("bits", "retard"))
            if trial.first(edges(trial.unit, trial.read, bits, retard)) is not None:
                found[number] = trial.name
                break
        if done % 20 == 0:
            say(f"{done} of {len(change)} mutants, {len(found)} found")
    return change, found


def sample(limit: int, seed: int) -> tuple[list[int], dict[int, Mutant]]:
    """So many of the mutants that are not equal to the core, drawn from a seed; and all by number."""
    mutants = all_mutants()[1]
    equal, _ = listed(mutants)
    numbers = [mutant.number for mutant in mutants if mutant.number not in equal]
    return sorted(random.Random(seed).sample(numbers, min(limit, len(numbers)))), {
        mutant.number: mutant for mutant in mutants
    }


def report(console: Console, limit: int, seed: int, write: bool) -> int:
    """Measure and print it all; with `write` also to the page. The exit code."""
    limits = Limits()
    every = [*traces(), *made(), *cases()]
    trials = [Trial(name, run, i, limits) for i, (name, run) in enumerate(every) if len(run.crank)]

    def say(text: str) -> None:
        console.print(text, markup=False, highlight=False, style="dim")

    wrong = wrongly_called(trials)
    say(f"{len(wrong)} of {len(trials) * RIGHT_UNITS} right ones called different: {wrong}")
    bugs = find_named(trials, say)
    numbers, by_number = sample(limit, seed)
    with TemporaryDirectory() as place:
        change, found = find_mutants(build(Path(place)), trials, numbers, say)
    silent, jumping, beyond = not_on_wires()
    got = sum(not text.startswith("not found") for text in bugs.values())
    shares = 100 * got / len(bugs), 100 * len(found) / max(1, len(change))
    lines = [
        f"{len(trials)} runs are played: 10 demo traces, {len(conformance_set().cases) - silent} of"
        f" {len(conformance_set().cases)} conformance cases, {len(every) - 10 - len(conformance_set().cases)}"
        f" made for three calibrations. In {silent} conformance case the crank stands still, so that nothing"
        f" is there to be judged; {jumping} have tick numbers that jump, and {beyond} inputs that no wire"
        " carries: they are played as far as they can be.",
        f"The right firmware, {RIGHT_UNITS} units within the usual limits in each run: {len(wrong)} of"
        f" {len(trials) * RIGHT_UNITS} called different{': ' if wrong else ''}{'; '.join(wrong)}.",
        f"Named bugs found: {got} of {len(bugs)} ({shares[0]:.0f} %).",
        f"Mutants of the C core that change a command or an event: of a sample of {len(numbers)} (seed"
        f" {seed}) {len(change)} do, and {len(found)} of these are found ({shares[1]:.0f} %). An ensemble has"
        f" {FIRST} members, and {MORE} more before anything is called different.",
    ]
    table = make_table(("named bug", False), ("the first run that finds it, and by what", False))
    for name, text in bugs.items():
        table.add_row(name, text)
    print_table(console, "Named bugs", table)
    missed = [str(by_number[number]) for number in change if number not in found]
    print_list(console, "Mutants that change commands, and are not found", missed)
    for line in lines:
        console.print(line, markup=False, highlight=False)
    if write:
        _write(lines, bugs, missed)
    return 0 if min(shares) >= LEAST_PERCENT else 1


def _write(lines: Sequence[str], bugs: dict[str, str], missed: Sequence[str]) -> None:
    before, rest = PAGE.read_text(encoding="utf-8").split(BEGIN)
    after = rest.split(END)[1]
    rows = [
        "| named bug | the first run that finds it, and by what |",
        "|---|---|",
        *(f"| {name} | {bugs[name]} |" for name in bugs),
    ]
    listed_missed = [f"- `{text}`" for text in missed]
    parts = ["\n".join(f"- {line}" for line in lines), "\n".join(rows)]
    parts += ["Mutants that change commands, and are not found:", "\n".join(listed_missed) or "none"]
    text = "\n\n".join(parts)
    write_whole(PAGE, f"{before}{BEGIN}\n{text}\n{END}{after}".encode())
