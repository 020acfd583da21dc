"""Images that a controller must refuse, each with its verdict, and some at the edge that it must accept."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bench.calibration.image import Values, pack
from bench.conformance.cases import Case
from controller import Calibration, read
from controller.image import FIELDS, HEADER_BYTES, LENGTH

Row = list[int]


@dataclass(frozen=True)
class ChangedImage:
    """An image that differs from a case's in `what`, and the reference's verdict on it (0: it runs)."""

    what: str
    bytes: bytes
    verdict: int


def changed_images(case: Case) -> list[ChangedImage]:
    """What is wrong or at the edge, one thing at a time, in the image of a case."""
    found = []
    for what, image in _changes(case):
        found.append(ChangedImage(what, image, read(image, Calibration())))
    return found


_NEAR = 8
_MOST_PIECE = 96


def pieces_between(before: bytes, after: bytes) -> list[tuple[int, bytes]]:
    """(offset, bytes) that make the one of the other; what lies near together is one piece."""
    found: list[tuple[int, bytes]] = []
    for at in range(len(after)):
        if at < len(before) and before[at] == after[at]:
            continue
        if found and at < found[-1][0] + len(found[-1][1]) + _NEAR and at < found[-1][0] + _MOST_PIECE:
            first = found.pop()[0]
            found.append((first, after[first : at + 1]))
        else:
            found.append((at, after[at : at + 1]))
    return found


def _changes(case: Case) -> Iterator[tuple[str, bytes]]:
    good = case.image
    for at in range(4):
        yield f"letter {at + 1}", _with(good, at, 0x40)
    yield "version", _with(good, 4, 3)
    yield "version, high byte", _with(good, 5, 1)
    yield "length in the header", _with(good, 6, (LENGTH + 1) & 255)
    yield "length in the header, high byte", _with(good, 7, 0)
    for length in (HEADER_BYTES - 1, HEADER_BYTES, LENGTH - 1):
        yield f"{length} bytes", good[:length]
    for at in (8, 11, HEADER_BYTES, LENGTH - 1):
        yield f"a bit of byte {at}", _with(good, at, good[at] ^ 1)
    for what, values in _ranges(case.values):
        yield what, pack(values)
    for what, values in _orders(_plain(case.values)):
        yield what, pack(values)


def _with(image: bytes, at: int, value: int) -> bytes:
    return image[:at] + bytes([value]) + image[at + 1 :]


def _ranges(values: Values) -> Iterator[tuple[str, Values]]:
    """Fields of each kind just beyond an end of their range, at the ends of 32 and 16 bits, and in the last
    place of a row."""
    wide = {"I": 2**32 - 1, "H": 65535, "h": 32767}
    for name, code, count, least, greatest in FIELDS:
        if name not in _TRIED:
            continue
        for value in (least - 1, greatest + 1, wide[code]):
            if value < (-32768 if code == "h" else 0) or (least <= value <= greatest) or value > wide[code]:
                continue
            row = [*_row(values, name)[: count - 1], value] if count > 1 else value
            if count > 1:
                assert isinstance(row, list)
                row = [*[*_row(values, name), *[0] * count][: count - 1], value]
            yield f"{name} {value}", {**values, name: row}


_TRIED = (
    "gain_q12",
    "fault_release_q16",
    "tick_us",
    "sensor_height",
    "event_bits",
    "safe_retard",
    "firing_order",
)


def _row(values: Values, name: str) -> Row:
    value = values[name]
    assert isinstance(value, list)
    return value


def _plain(values: Values) -> Values:
    """The values with every axis of three points and a plain sensor."""
    axis = {
        "sensor_counts": [10, 500, 1000], "sensor_height": [0, 1000, 3000], "lift_axis": [-10, 0, 10],
        "run_ms": [1, 2, 3], "progress_axis": [1, 2, 3], "engine_ms": [1, 2, 3], "shaft_ms": [1, 2, 3],
        "engine_over_rpm": [1, 2, 3], "shaft_over_rpm": [1, 2, 3],
    }  # fmt: skip
    points = (
        "sensor_points", "lift_points", "run_points", "progress_points", "engine_points", "shaft_points",
        "engine_line_points", "shaft_line_points",
    )  # fmt: skip
    sizes: dict[str, int | Row] = dict.fromkeys(points, 3)
    return {
        **values, **axis, **sizes, "adc_max": 1023, "window_low": 10, "window_high": 1000, "rest": 500,
        "near_end": 100, "median_samples": 3, "hold_ticks": 10, "fault_hold_ticks": 20, "cylinders": 4,
        "firing_order": [1, 3, 4, 2],
    }  # fmt: skip


def _orders(values: Values) -> Iterator[tuple[str, Values]]:
    """Parts that do not fit each other, and those that just do."""
    changes: tuple[dict[str, int | Row], ...] = (
        {},
        {"window_low": 1000}, {"window_low": 999},
        {"window_high": 1024}, {"window_high": 1023},
        {"sensor_counts": [10, 10, 1000]}, {"sensor_counts": [10, 500, 500]},
        {"sensor_counts": [10, 500, 1024]}, {"sensor_counts": [10, 500, 1023]},
        {"sensor_height": [0, 0, 3000]}, {"sensor_height": [0, 3000, 2999]},
        {"sensor_height": [3000, 500, 500]}, {"sensor_height": [3000, 1000, 0]},
        {"sensor_height": [-32767, 0, 1]},
        {"sensor_height": [-32000, 0, 767], "rest": 0}, {"sensor_height": [-32001, 0, 767], "rest": 0},
        {"rest": -1}, {"rest": 0}, {"rest": 3000}, {"rest": 3001},
        {"near_end": 2999}, {"near_end": 3000},
        {"median_samples": 2}, {"median_samples": 4}, {"median_samples": 5},
        {"fault_hold_ticks": 9}, {"fault_hold_ticks": 10},
        {"firing_order": [1, 3, 4, 3]}, {"firing_order": [1, 3, 4, 5]}, {"firing_order": [3, 3, 4, 2]},
        {"firing_order": [5, 3, 4, 2]}, {"firing_order": [1, 3, 5, 2]},
    )  # fmt: skip
    axes: list[dict[str, int | Row]] = [{name: row} for name in _AXES for row in ([2, 2, 3], [1, 3, 3])]
    for change in (*changes, *axes):
        text = ", ".join(f"{name} {value}" for name, value in change.items()) or "three points on every axis"
        yield text, {**values, **change}


_AXES = (
    "lift_axis", "run_ms", "progress_axis", "engine_ms", "shaft_ms", "engine_over_rpm", "shaft_over_rpm",
)  # fmt: skip
