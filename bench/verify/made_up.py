"""Verify without a trace: the conformance set, and as many generated cases as one likes."""

from __future__ import annotations

import binascii
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.conformance.cases import Case, case_id
from bench.conformance.chosen_set import ConformanceSet, conformance_set
from bench.conformance.cost import seconds
from bench.conformance.images import ChangedImage, changed_images, pieces_between
from bench.conformance.shrink import shrink
from bench.console import print_text
from bench.errors import UserError
from bench.link.host import DeviceError
from bench.link.line import LinkError
from bench.link.protocol import Feature, Kind, Reason, pack_commit, pack_piece, unpack_verdict
from bench.link.target import RemoteTarget
from bench.verify.compare import Options
from bench.verify.facts import TraceResult
from bench.verify.judge import Criterion
from bench.verify.run import Subject, made_up, run_one

if TYPE_CHECKING:
    from rich.console import Console

GENERATED_TICKS = 400
BAUD = 115200


@dataclass(frozen=True)
class Made:
    """The cases to run: those of the set, or generated ones; `images` go with the set."""

    what: str
    cases: tuple[Case, ...]
    images: tuple[ChangedImage, ...] = ()
    of_set: ConformanceSet | None = None

    def subjects(self) -> list[Subject]:
        """One for each case."""
        return [made_up(case, f"case-{number}-seed-{case.seed}") for number, case in enumerate(self.cases, 1)]

    def facts(self, largest: int) -> dict[str, Any]:
        """What it consists of, as plain values."""
        images = [image.bytes for image in self.images]
        return {
            "what": self.what,
            "version": self.of_set.version if self.of_set else None,
            "sha256": self.of_set.digest if self.of_set else None,
            "cases": len(self.cases),
            "ticks": sum(len(case.whole[0]) for case in self.cases),
            "images": len(images),
            "seconds_at_115200_baud": round(seconds(self.cases, images, BAUD, largest), 1),
            "mutants": self.of_set.mutants if self.of_set else None,
            "mutants_found": self.of_set.found if self.of_set else None,
        }


def chosen(conformance: bool, generated: int | None, seed: int) -> Made:
    """The conformance set, or so many cases made from the seeds from `seed` on that come to rest."""
    if conformance:
        of_set = conformance_set()
        return Made(
            f"conformance set, version {of_set.version}", of_set.cases,
            tuple(changed_images(of_set.cases[0])), of_set,
        )  # fmt: skip
    cases: list[Case] = []
    while len(cases) < (generated or 0):
        case = Case(seed, GENERATED_TICKS)
        if case.rests:
            cases.append(case)
        seed += 1
    return Made(f"{len(cases)} generated cases", tuple(cases))


def check_use(given: dict[str, Any], traces: Sequence[Any], calibration_path: Any) -> bool:
    """Whether cases are made up. Raises UserError where that does not go with what else is asked for."""
    made = given["conformance"] or given["generated"] is not None
    if not made:
        return False
    others = {
        "TRACE": bool(traces), "--vehicle": given["vehicle_path"] is not None,
        "--calibration": calibration_path is not None, "--real-time": given["real_time"],
        "both": given["conformance"] and given["generated"] is not None,
    }  # fmt: skip
    for name, there in others.items():
        if there:
            right = "made-up cases bring their own inputs and calibrations; give one of the two alone"
            raise UserError(f"does not go with {name}", "--conformance, --generated", right)
    return True


def check_device(target: RemoteTarget) -> None:
    """Raises LinkError for a device that takes no calibration."""
    if Feature.OWN_CALIBRATION in target.greeting.features:
        what = "it has a calibration of its own, and the cases bring theirs"
        raise LinkError(
            what, target.host.line.name, "compare it over traces, with a calibration like its own"
        )


def wrong_images(
    target: RemoteTarget, images: Sequence[ChangedImage], first: bytes, console: Console
) -> list[dict[str, Any]]:
    """The images on which the device's verdict is not the reference's: `what`, `expected` and `got`.

    Only the bytes that differ are sent, as long as the device holds those sent before.
    """
    wrong = []
    held = bytearray()
    for image in images:
        verdict, held = _verdict(target, image.bytes, held, len(first))
        if verdict != image.verdict:
            wrong.append({"what": image.what, "expected": image.verdict, "got": verdict})
            text = f"image with {image.what}: verdict {verdict} instead of {image.verdict}"
            print_text(console, text, rest="  ")
    if images and not wrong:
        print_text(console, f"{len(images)} changed images: equal, every verdict")
    return wrong


def _verdict(target: RemoteTarget, image: bytes, held: bytearray, room: int) -> tuple[int, bytearray]:
    """The device's verdict on an image, and what it holds then."""
    whole = image + bytes(held[len(image) :])
    for known in (held, bytearray()):
        for at, data in pieces_between(bytes(known), image):
            target.host.ask(Kind.PIECE, pack_piece(at, data))
        try:
            answer = target.ask_at_rest(Kind.COMMIT, pack_commit(len(image), binascii.crc32(image)))
        except DeviceError as refused:
            if refused.reason != Reason.PIECES or not known:
                raise
            continue
        return unpack_verdict(answer), bytearray(whole[:room])
    raise AssertionError("the second time everything was sent")


def shrunk(
    target: RemoteTarget,
    made: Made,
    results: Sequence[TraceResult],
    options: Options,
    criterion: Criterion,
    console: Console,
) -> list[str]:
    """The replay id of the smaller case of each difference; it goes to the console too."""
    ids = []
    for number, (case, result) in enumerate(zip(made.cases, results, strict=False), 1):
        found = result.tally.difference
        if found is None or result.tally.error is not None:
            continue

        def differs(smaller: Case) -> int | None:
            again = run_one(target, options, made_up(smaller, str(smaller)), False, criterion).tally
            if again.error is not None:
                raise again.error
            return again.difference.tick if again.difference is not None else None

        small = shrink(case, found.tick, differs)
        tick = differs(small)
        if tick is None:
            continue  # a device that differs only now and then
        name = case_id(small, tick)
        ticks = sum(end - first for first, end in small.kept)
        console.print(
            f"case {number} shrunk to {ticks} ticks: replay id {name}", markup=False, soft_wrap=True
        )
        ids.append(name)
    return ids
