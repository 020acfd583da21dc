"""Mutants of the C core held against cases: compiled once with all of them, run in processes of their own."""

from __future__ import annotations

import os
import struct
import subprocess
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from bench.conformance.cases import Case
from bench.conformance.images import ChangedImage
from bench.link.protocol import INPUT, OUTPUT
from firmware_model.core_sources import CORE
from tests import ROOT
from tests.mutation.core_mutants import all_mutants

CHECK = ROOT / "bench" / "conformance"
RUNNER = Path(__file__).with_name("core_runner.c")

# As check.h lays them out.
_INPUT = np.dtype([("tick", "<u2"), *INPUT.descr])
_OUTPUT = np.dtype([*OUTPUT.descr, ("filling", "V3")])


@dataclass(frozen=True)
class Finding:
    """Where a mutant was found: the number of a case, `images` or `calls`; `place`: the tick, image or call;
    `how`: "" by a wrong answer, "t" by its time, "x" by a crash."""

    where: str
    place: int
    how: str


def build(folder: Path, *flags: str) -> Path:
    """The runner with every mutant, compiled into a folder."""
    source, program = folder / "mutants.c", folder / "core_runner"
    source.write_text(all_mutants()[0])
    words = ["gcc", "-std=gnu99", "-O1", "-w", "-fno-strict-overflow", *flags]
    words += [f"-I{CORE}", f"-I{CHECK}", str(source), str(CHECK / "check.c"), str(RUNNER), "-o", str(program)]
    subprocess.run(words, check=True)
    return program


def pack_file(cases: Sequence[Case], images: Sequence[ChangedImage]) -> bytes:
    """What core_runner.c reads."""
    parts = [struct.pack("<ii", len(cases), len(images))]

    def add(data: bytes) -> None:
        parts.append(data + bytes(-len(data) % 8))

    for case in cases:
        numbers, records = case.whole
        add(struct.pack("<ii", len(records), len(case.right.events)))
        add(case.image)
        inputs = np.zeros(len(records), _INPUT)
        inputs["tick"] = numbers
        outputs = np.zeros(len(records), _OUTPUT)
        for name in INPUT.names or ():
            inputs[name] = records[name]
        for name in OUTPUT.names or ():
            outputs[name] = case.right.outputs[name]
        add(inputs.tobytes())
        add(outputs.tobytes())
        add(case.right.events)
    for image in images:
        first = cases[0].image
        changed = [i for i, byte in enumerate(image.bytes) if byte != first[i]]
        add(struct.pack("<iiii", len(changed), len(image.bytes), image.verdict, 0))
        add(b"".join(struct.pack("<HBx", at, image.bytes[at]) for at in changed))
    return b"".join(parts)


def meet(
    program: Path,
    cases: Sequence[Case],
    images: Sequence[ChangedImage],
    mutants: Sequence[int],
    *,
    mode: str = "first",
    seconds: float = 0.1,
) -> dict[int, list[Finding]]:
    """Where each of some mutants was found first, an empty list if nowhere; `mode` as core_runner.c says.

    A case ends a mutant after `seconds`. Mutant 0 is the core as it is.
    """
    workers = os.cpu_count() or 1
    with TemporaryDirectory() as place:
        data = Path(place, "cases")
        data.write_bytes(pack_file(cases, images))
        words = [str(program), str(data), mode, str(seconds)]
        shares = [mutants[i::workers] for i in range(workers)]

        def run(share: Sequence[int]) -> str:
            if not share:
                return ""
            done = subprocess.run([*words, *map(str, share)], capture_output=True, text=True, check=True)
            return done.stdout

        with ThreadPoolExecutor(workers) as pool:
            lines = [line.split() for said in pool.map(run, shares) for line in said.splitlines()]
    return {int(number): [_finding(word) for word in where] for number, *where in lines}


def _finding(word: str) -> Finding:
    where, place, how = word.split(":")
    return Finding(where, int(place), how)
