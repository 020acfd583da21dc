"""How strong the black box is: mutants of the C core and named bugs that it finds by edges alone.

Run by `python -m tests.mutation --black-box`.
"""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from bench.link.protocol import INPUT, Records
from tests.mutation.core_run import CHECK, CORE
from tests.mutation.core_mutants import all_mutants

RUNNER = Path(__file__).with_name("black_box_runner.c")
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


def answers(program: Path, runs: Sequence[tuple[bytes, Records]], mutants: Sequence[int], seconds: float = 0.5) -> Iterator[list[Raw]]:
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
