"""The conformance set as files: JSON Lines, and C sources that hold a core against it without a line."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path

from bench.conformance.cases import Case
from bench.conformance.chosen_set import ConformanceSet
from bench.conformance.images import ChangedImage, changed_images
from bench.link.protocol import INPUT, OUTPUT

FORMAT = 1
HERE = Path(__file__).parent.parent / "conformance"
COPIED = ("check.h", "check.c", "main.c")
FILES = ("conformance.jsonl", "data.h", *COPIED)

_INPUTS = ("tick", *(INPUT.names or ()))
_OUTPUTS = tuple(OUTPUT.names or ())


def write_set(of_set: ConformanceSet, folder: Path) -> None:
    """Write FILES to a folder that exists."""
    images = changed_images(of_set.cases[0])
    json_lines, header = _json_lines(of_set, images), _header(of_set, images)
    for name, lines in (("conformance.jsonl", json_lines), ("data.h", header)):
        (folder / name).write_text("".join(lines), encoding="utf-8", newline="\n")
    for name in COPIED:
        (folder / name).write_text((HERE / name).read_text(encoding="utf-8"), encoding="utf-8")


def _rows(case: Case) -> Iterator[tuple[list[int], list[int]]]:
    """Tick by tick: tick number and inputs, outputs."""
    numbers, records = case.whole
    outputs = case.right.outputs.tolist()
    for number, read, made in zip(numbers.tolist(), records.tolist(), outputs, strict=True):
        yield [number, *read], list(made)


def _json_lines(of_set: ConformanceSet, images: Sequence[ChangedImage]) -> Iterator[str]:
    """First what holds for all; then a line for each case, followed by one for each of its ticks; then a line
    for each changed image."""
    head = {
        "format": FORMAT, "version": of_set.version, "sha256": of_set.digest, "cases": len(of_set.cases),
        "images": len(images), "inputs": _INPUTS, "outputs": _OUTPUTS,
        "events": "one byte each after the tick's step, in firing order from its first cylinder on: fuel off"
        " 1, spark off 2, what spark says of the same cycle 4",
    }  # fmt: skip
    yield json.dumps(head) + "\n"
    for number, case in enumerate(of_set.cases, 1):
        yield json.dumps({"case": number, "image": case.image.hex(), "ticks": len(case.whole[0])}) + "\n"
        at = 0
        for read, made in _rows(case):
            events = list(case.right.events[at : at + read[-1]])
            at += read[-1]
            yield json.dumps({"in": read, "out": made, "events": events}, separators=(",", ":")) + "\n"
    for image in images:
        yield json.dumps({"what": image.what, "image": image.bytes.hex(), "verdict": image.verdict}) + "\n"


def _header(of_set: ConformanceSet, images: Sequence[ChangedImage]) -> Iterator[str]:
    ticks = sum(len(case.whole[0]) for case in of_set.cases)
    yield (
        f"/* The conformance set, version {of_set.version}. SHA-256 of all of it:\n * {of_set.digest} */\n"
        '#ifndef LIFT_CONFORMANCE_DATA_H\n#define LIFT_CONFORMANCE_DATA_H\n\n#include "check.h"\n\n'
        f"enum {{ CONFORMANCE_CASES = {len(of_set.cases)}, CONFORMANCE_IMAGES = {len(images)} }};\n"
        f"#define CONFORMANCE_TICKS {ticks}\n\n"
        "typedef union {\n    uint8_t bytes[LIFT_IMAGE_BYTES];\n    uint32_t place;\n} conformance_place_t;\n"
    )
    for number, case in enumerate(of_set.cases, 1):
        rows = list(_rows(case))
        yield f"\nstatic const conformance_place_t conformance_image_{number} = {{{{\n"
        yield from _numbers(case.image)
        yield f"}}}};\nstatic const conformance_input_t conformance_inputs_{number}[] = {{\n"
        yield from ("    {" + ", ".join(map(str, read)) + "},\n" for read, _ in rows)
        yield f"}};\nstatic const conformance_output_t conformance_outputs_{number}[] = {{\n"
        yield from ("    {" + ", ".join(map(str, made)) + "},\n" for _, made in rows)
        yield f"}};\nstatic const uint8_t conformance_events_{number}[] = {{\n"
        yield from _numbers(case.right.events or b"\0")
        yield "};\n"
    yield "\nstatic const conformance_case_t conformance_cases[CONFORMANCE_CASES] = {\n"
    for number, case in enumerate(of_set.cases, 1):
        names = ", ".join(f"conformance_{what}_{number}" for what in ("inputs", "outputs", "events"))
        yield f"    {{conformance_image_{number}.bytes, {len(case.whole[0])}, {names}}},\n"
    yield "};\n\n"
    yield from _changed(of_set.cases[0].image, images)
    yield "\n#endif\n"


def _changed(first: bytes, images: Sequence[ChangedImage]) -> Iterator[str]:
    """The changed images, each by the bytes in which it differs from the first case's."""
    counts = []
    for number, image in enumerate(images, 1):
        bytes_ = [(at, byte) for at, byte in enumerate(image.bytes) if byte != first[at]]
        counts.append(len(bytes_))
        pairs = ", ".join(f"{{{at}, {byte}}}" for at, byte in bytes_ or [(0, first[0])])
        name = f"conformance_bytes_{number}"
        yield f"static const conformance_byte_t {name}[] = {{{pairs}}}; /* {image.what} */\n"
    yield "\nstatic const conformance_image_t conformance_images[CONFORMANCE_IMAGES] = {\n"
    for number, (image, count) in enumerate(zip(images, counts, strict=True), 1):
        yield f"    {{conformance_bytes_{number}, {count}, {len(image.bytes)}, {image.verdict}}},\n"
    yield "};\n"


def _numbers(data: bytes) -> Iterator[str]:
    for start in range(0, len(data), 20):
        yield "    " + " ".join(f"{byte}," for byte in data[start : start + 20]) + "\n"
