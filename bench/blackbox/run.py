"""The runs of a black-box verify: what is played, what was captured, and the verdicts."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bench.blackbox.judge import Excursion, Judge, Judged, skipped
from bench.blackbox.play import edges_of, play
from bench.blackbox.played import Played, played
from bench.blackbox.stories import STORIES, story
from bench.blackbox.unit import Edges, Limits
from bench.console import print_text
from bench.errors import UserError
from bench.link.host import Host
from bench.link.line import LinkError
from bench.trace.progress import progress_bar
from bench.trace.text import shown_path

if TYPE_CHECKING:
    from rich.console import Console

    from bench.calibration import CalibrationFile
    from bench.link.reading import Reading


@dataclass(frozen=True)
class Subject:
    """A run to be played; `digest` is the SHA-256 of its trace, or of its inputs where it was made."""

    name: str
    path: str
    digest: str
    notes: Sequence[str]
    start_s: float
    played: Played


@dataclass(frozen=True)
class Result:
    """What came of one run; `judged` is None where `error` says why nothing is known of it."""

    subject: Subject
    edges: Edges | None
    judged: Judged | None
    seconds: float
    error: LinkError | None = None

    @property
    def verdict(self) -> str:
        """equal, different or link."""
        if self.judged is None:
            return "link"
        return "different" if self.judged.found else "equal"

    @property
    def skips(self) -> int:
        """Crank events that were skipped."""
        return 0 if self.edges is None else int(skipped(self.subject.played, self.edges).sum())

    def time_s(self, event: int) -> float:
        """The trace's time at a crank event."""
        return self.subject.start_s + self.subject.played.time_s(event)


def subjects(traces: Sequence[Path], calibration: CalibrationFile, reading: Reading) -> list[Subject]:
    """Traces, or without any the runs that are made for the calibration. Raises UserError as reading does,
    and for a trace without cylinder events."""
    found = []
    for path in traces:
        trace, laid, records = reading.inputs(path, calibration)
        run = played(records, calibration.image)
        if not len(run.crank):
            right = "give one with an engine speed: a black box is judged by its sparks and injectors"
            raise UserError("has no cylinder events", path, right)
        found.append(Subject(path.stem, str(path), trace.digest, laid.notes, laid.start_s, run))
    for name in STORIES if not traces else ():
        records = story(name, calibration.image)
        digest = hashlib.sha256(records.tobytes()).hexdigest()
        found.append(Subject(name, name, digest, (), 0.0, played(records, calibration.image)))
    return found


def run_all(
    host: Host, largest: int, runs: Sequence[Subject], limits: Limits, seed: int, console: Console
) -> list[Result]:
    """What came of each run, up to the first with which the link failed."""
    results: list[Result] = []
    for subject in runs:
        for note in subject.notes:
            print_text(console, f"{shown_path(subject.name)}: {note}", rest="  ")
        begun = time.monotonic()
        try:
            with progress_bar(f"playing {subject.name}") as progress:
                captured = play(host, largest, subject.played, progress)
        except LinkError as error:
            results.append(Result(subject, None, None, time.monotonic() - begun, error))
            break
        results.append(_judged(subject, edges_of(subject.played, captured), limits, seed, begun))
        print_text(console, verdict_text(results[-1]), rest="  ")
    return results


def _judged(subject: Subject, edges: Edges, limits: Limits, seed: int, begun: float) -> Result:
    with progress_bar("reference") as progress:
        judged = Judge(subject.played, limits, seed, progress=progress).judge(edges)
    return Result(subject, edges, judged, time.monotonic() - begun)


def verdict_text(result: Result) -> str:
    """One line, or two."""
    name = shown_path(result.subject.name)
    events = f"{len(result.subject.played.crank)} crank events, {result.skips} skipped"
    if result.judged is None:
        return f"{name}: {result.error}"
    if result.judged.found:
        return f"{name}: different at {excursion_text(result, result.judged.found[0])}"
    return f"{name}: equal, {events}, within {result.judged.envelope.members} runs of the reference"


def excursion_text(result: Result, one: Excursion) -> str:
    """One line about an excursion."""
    where = f"{result.time_s(one.event):.3f} s (crank event {one.event}, cylinder"
    where += f" {int(result.subject.played.cylinder[one.event])})"
    if not one.channel.unit:
        return f"{where}: {one.channel.name} is not what the calibration says"
    side = "at most" if one.value > one.limit else "at least"
    return (
        f"{where}: {one.channel.name} {one.value:.4g} {one.channel.unit} where the reference has {side}"
        f" {one.limit:.4g}"
    )
