"""The files of golden vectors: JSON Lines, a C header, and a test main that runs it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np

from bench.twin.compare import INPUTS, run_reference
from bench.twin.generate import Ints
from firmware_model.binding import OUTPUT_TYPES

FORMAT = 1
JSON_NAME = "vectors.jsonl"
HEADER_NAME = "vectors.h"
MAIN_NAME = "vectors_main.c"

_EVENTS = ("event_tick", "event_cylinder", "event_bits")

_MAIN = """\
/* Runs the vectors of vectors.h through the core; to be compiled with all C files of firmware_model/core.
 * Ends with 0, or prints where they first differ and ends with 1. */
#include <stdio.h>
#include <string.h>

#include "vectors.h"

static int differs(const char *what, int at) {
    printf("%s %d differs\\n", what, at);
    return 1;
}

int main(void) {
    static lift_controller_t ll;
    lift_outputs_t out;
    lift_init(&ll);
    if (lift_load(&ll, vector_image.bytes, LIFT_IMAGE_BYTES) != LIFT_IMAGE_OK) return differs("image", 0);
    for (int i = 0, e = 0; i < VECTOR_TICKS; i++) {
        lift_step(&ll, &vector_inputs[i]);
        lift_outputs(&ll, &out);
        if (memcmp(&out, &vector_outputs[i], sizeof(out)) != 0) return differs("tick", i);
        for (; vector_events[e].tick == i; e++)
            if (lift_event(&ll, vector_events[e].cylinder) != vector_events[e].bits)
                return differs("event", e);
    }
    return lift_digest(&ll) == vector_digest ? 0 : differs("state after tick", VECTOR_TICKS - 1);
}
"""


def make_outputs(image: bytes, inputs: Mapping[str, Ints]) -> dict[str, Ints]:
    """What the reference makes of the inputs (an array[n] for each of INPUTS, n at least 1): its outputs, its
    events and, as the only element of `digest`, the digest after the last tick."""
    return run_reference(image, inputs, digest_every=len(inputs["counts"]))


def write_vectors(
    image: bytes, inputs: Mapping[str, Ints], outputs: Mapping[str, Ints], folder: Path, source: str
) -> None:
    """Write the three files to a folder that exists. `outputs` as make_outputs gives them; `source` says in
    one line where the inputs come from."""
    for name, lines in (
        (JSON_NAME, _json_lines(image, inputs, outputs, source)),
        (HEADER_NAME, _header(image, inputs, outputs, source)),
        (MAIN_NAME, [_MAIN]),
    ):
        (folder / name).write_text("".join(lines), encoding="utf-8", newline="\n")


def _events_by_tick(outputs: Mapping[str, Ints]) -> dict[int, list[list[int]]]:
    events: dict[int, list[list[int]]] = {}
    for tick, *what in np.stack([outputs[name] for name in _EVENTS], axis=1).tolist():
        events.setdefault(tick, []).append(what)
    return events


def _rows(columns: Mapping[str, Ints], names: tuple[str, ...]) -> list[list[int]]:
    rows: list[list[int]] = np.stack([columns[name].astype(np.int64) for name in names], axis=1).tolist()
    return rows


def _json_lines(
    image: bytes, inputs: Mapping[str, Ints], outputs: Mapping[str, Ints], source: str
) -> Iterator[str]:
    """First what holds for all ticks, then a line for each tick: inputs, outputs, events after it."""
    read, made, events = _rows(inputs, INPUTS), _rows(outputs, tuple(OUTPUT_TYPES)), _events_by_tick(outputs)
    head = {
        "format": FORMAT,
        "source": source,
        "image": image.hex(),
        "ticks": len(read),
        "inputs": INPUTS,
        "outputs": tuple(OUTPUT_TYPES),
        "events": ("cylinder", "bits"),
        "digest": int(outputs["digest"][0]),
    }
    yield json.dumps(head) + "\n"
    for i, (row, result) in enumerate(zip(read, made, strict=True)):
        yield (
            json.dumps({"in": row, "out": result, "events": events.get(i, [])}, separators=(",", ":")) + "\n"
        )


def _header(
    image: bytes, inputs: Mapping[str, Ints], outputs: Mapping[str, Ints], source: str
) -> Iterator[str]:
    quoted = source.replace("*/", "* /").replace("\n", " ")
    yield (
        f"/* Golden vectors of the reference, from power-up on.\n * {quoted}\n"
        f" * Inputs: {', '.join(INPUTS)}.\n"
        f" * Outputs: {', '.join(OUTPUT_TYPES)}. */\n"
        "#ifndef LIFT_VECTORS_H\n#define LIFT_VECTORS_H\n\n"
        '#include "liftlatch.h"\n\n'
        f"enum {{ VECTOR_TICKS = {len(inputs['counts'])} }};\n\n"
        "/* The calibration image, at a place it can be read from. */\n"
        "static const union {\n    uint8_t bytes[LIFT_IMAGE_BYTES];\n    uint32_t place;\n}"
        " vector_image = {{\n"
    )
    for start in range(0, len(image), 16):
        yield "    " + " ".join(f"0x{byte:02x}," for byte in image[start : start + 16]) + "\n"
    yield "}};\n\nstatic const lift_inputs_t vector_inputs[VECTOR_TICKS] = {\n"
    yield from _braced(_rows(inputs, INPUTS))
    yield "};\n\nstatic const lift_outputs_t vector_outputs[VECTOR_TICKS] = {\n"
    yield from _braced(_rows(outputs, tuple(OUTPUT_TYPES)))
    yield (
        "};\n\n/* Cylinder events: after which tick, which cylinder, what its event said; -1 ends them. */\n"
        "static const struct {\n    int32_t tick;\n    int32_t cylinder;\n    int32_t bits;\n}"
        " vector_events[] = {\n"
    )
    yield from _braced([*_rows(outputs, _EVENTS), [-1, 0, 0]])
    yield (
        "};\n\n/* lift_digest after the last tick and its events. */\n"
        f"static const uint32_t vector_digest = 0x{int(outputs['digest'][0]):08x}U;\n\n#endif\n"
    )


def _braced(rows: list[list[int]]) -> Iterator[str]:
    for row in rows:
        yield "    {" + ", ".join(map(str, row)) + "},\n"
