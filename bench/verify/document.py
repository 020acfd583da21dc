"""What a verify says: equal, or the first difference with the ticks around it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.document.blocks import (
    Block,
    Cell,
    Document,
    Jump,
    Level,
    Line,
    Panel,
    Picture,
    Place,
    Section,
    Series,
    Strip,
    Table,
    Text,
)
from bench.document.calibration import calibration_section
from bench.document.columns import Column
from bench.document.provenance import provenance
from bench.link.protocol import OLDER, OUTPUT
from bench.verify.facts import UNITS, TraceResult, difference_text, stem, value_text

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.verify.compare import Context
    from bench.verify.judge import Difference
    from bench.verify.timing import Pace

_NAMED = ("state", "retard_state", "reason", "faults")
_ROWS = 8  # ticks in the table before the first difference, and after it

_VERDICTS = {"equal": "equal", "different": "different", "link": "the link failed"}
_SIGNED = 2**30


def make_document(
    facts: dict[str, Any], results: Sequence[TraceResult], calibration: CalibrationFile | None
) -> Document:
    """The document of a verify; `facts` are those of bench.verify.facts. Each trace's verdict was printed as
    it came, so that a terminal shows no table of them. Made-up cases bring their own calibrations."""
    made = facts["made"]
    sections = [Section("Each case" if made else "Each trace", [_traces(facts)])]
    if made and made["wrong_images"]:
        sections.append(Section("Images with a wrong verdict", [_images(made)]))
    pictures = []
    counters = _status(facts["status"]) if facts["status"] else Text([_no_counters(facts)], "The device")
    sections.append(Section("The device", [counters]))
    timed: list[Block] = []
    for number, (result, one) in enumerate(zip(results, facts["traces"], strict=True), 1):
        name, begin = Path(one["file"]).name, stem(number, results)
        if result.context is not None and result.tally.difference is not None:
            difference = result.tally.difference
            figure = _strip(number, result.context, difference)
            blocks = list(_difference(result, result.context, difference, figure))
            sections.append(Section(f"The first difference: {name}", blocks, where="page"))
            title = f"{name}: first difference at tick {difference.tick}"
            pictures.append(Picture(f"{begin}-difference.svg", title, "", partial(list, [figure])))
        if result.pace is not None and result.pace.latency_s:
            latency = _latency(number, name, result.pace, one)
            timed.append(latency)
            late = f"{one['real_time']['late_ticks']} late ticks in {one['real_time']['steps']} steps"
            pictures.append(Picture(f"{begin}-latency.svg", f"{name}: {late}", "", partial(list, [latency])))
    if timed:
        in_time = [one for one in facts["traces"] if one["real_time"]]
        sections.append(Section("In real time", [_times(in_time), *timed], where="page"))
    if calibration is not None:
        sections.append(calibration_section(calibration))
    against = f"the reference, {calibration.path.name}" if calibration else f"the {made['what']}"
    return Document(
        what="verify",
        title=f"{facts['device']['firmware']} against {against}",
        alarm=[f"The link failed: {one['error']}" for one in facts["traces"] if one["error"]],
        answer=list(_answer(facts, results)),
        key=_key(facts),
        sections=sections,
        cautions=[facts["cautions"]],
        provenance=_provenance(facts),
        pictures=pictures,
        files=["junit.xml", *(f"{p.file[:-3]}csv" for p in pictures if p.file.endswith("-difference.svg"))],
        summary="verify.json",
    )


def _no_counters(facts: dict[str, Any]) -> str:
    return f"No counters: {facts['how']['no_counters']}."


def _provenance(facts: dict[str, Any]) -> list[tuple[str, str]]:
    device, how = facts["device"], facts["how"]
    return [
        *provenance(facts),
        (
            "Device",
            f"{device['firmware']}, protocol {device['protocol']}, images of version"
            f" {device['image_version']}, frames up to {device['largest_frame']} bytes",
        ),
        ("Its port", str(how["port"])),
        ("Steps in flight", str(how["window"])),
        ("Paced to the clock", "yes" if how["real_time"] else "no"),
        *_calibration(facts),
        *(
            pair
            for one in facts["traces"]
            for pair in (("Trace", one["file"]), ("Its SHA-256", one["sha256"]))
        ),
    ]


def _calibration(facts: dict[str, Any]) -> list[tuple[str, str]]:
    how, made = facts["how"], facts["made"]
    if made is None:
        return [
            ("Calibration", how["calibration"]),
            ("Its SHA-256", how["calibration_sha256"]),
            ("Its image", f"CRC-32 {how['image_crc32']}"),
        ]
    return [("Cases", made["what"]), ("Their SHA-256", made["sha256"] or "none: see each case")]


def _images(made: dict[str, Any]) -> Table:
    rows = [[one["what"], str(one["expected"]), str(one["got"])] for one in made["wrong_images"]]
    return Table((("an image with", False), ("right", True), ("given", True)), rows)


def _made(made: dict[str, Any]) -> Iterator[str]:
    text = f"The {made['what']}: {made['cases']} cases, {made['ticks']} ticks"
    if made["images"]:
        right = made["images"] - len(made["wrong_images"])
        text += f", {made['images']} changed images ({right} verdicts right)"
    yield f"{text}; {made['seconds_at_115200_baud']:g} s of a line of 115 200 baud."
    if made["mutants"]:
        share = 100 * made["mutants_found"] / made["mutants"]
        yield (
            f"Its strength: of {made['mutants']} changes of one place in the C core it finds"
            f" {made['mutants_found']} ({share:.1f} %)."
        )
    if made["shrunk"]:
        yield f"Shrunk: {', '.join(made['shrunk'])}. Look at one with liftlatch replay ID."


def _answer(facts: dict[str, Any], results: Sequence[TraceResult]) -> Iterator[str]:
    verdict, device = facts["verdict"], facts["device"]["firmware"]
    ticks = sum(one["ticks_equal"] for one in facts["traces"])
    made = facts["made"]
    if verdict == "equal":
        yield f"The device ({device}) equals the reference: {ticks} ticks, every one of them the same."
    elif verdict == "different":
        first = next((result for result in results if result.tally.difference is not None), None)
        where = "its verdict on an image"
        if first is not None:
            where = f"{Path(first.path).name}, {difference_text(first)}"
        yield f"The device ({device}) differs from the reference: {where}."
    else:
        yield f"The link to the device ({device}) failed; until then {ticks} ticks were equal."
    how = facts["how"]
    these = "cases" if made else "traces"
    yield f"Compared: {how['compared']}. A device that is equal on these {these} may still differ on others."
    if made:
        yield from _made(made)
    if how["not_compared"]:
        yield f"Not compared: {', '.join(how['not_compared'])}."
    if how["own_calibration"]:
        yield "The device has a calibration of its own and was given none."
    lags = [f"{one['lag_ticks']}" for one in facts["traces"] if one["lag_ticks"] is not None]
    if lags:
        yield f"It answered so many ticks late: {', '.join(lags)}."


def _key(facts: dict[str, Any]) -> list[tuple[str, str]]:
    traces = facts["traces"]
    key = [
        (str(sum(one["ticks_equal"] for one in traces)), "ticks equal"),
        (
            f"{sum(one['verdict'] == 'equal' for one in traces)} of {len(traces)}",
            "cases equal" if facts["made"] else "traces equal",
        ),
    ]
    if facts["status"] and facts["status"].get("worst_tick_ns"):
        key.append((f"{facts['status']['worst_tick_ns'] / 1000:.1f} µs", "its longest tick"))
    return key


def _traces(facts: dict[str, Any]) -> Table:
    rows: list[list[str | Cell]] = []
    for number, one in enumerate(facts["traces"], 1):
        found = one["difference"]
        verdict = _VERDICTS[one["verdict"]]
        jump = None
        if found:
            jump = Jump(f"ticks-{number}", found["tick"] - 20, found["tick"] + 20, found["tick"])
            verdict = f"different at tick {found['tick']}"
        rows.append(
            [
                Path(one["file"]).name,
                Cell(verdict, "good" if one["verdict"] == "equal" else "bad", jump),
                f"{one['ticks_equal']} of {one['ticks']}",
                str(one["frames"]),
                f"{one['ticks_a_second']:.0f}",
                str(one["resent"]),
                str(one["damaged"]),
                str(one["stalls"]),
            ]
        )
    return Table(
        (
            ("trace", False),
            ("verdict", False),
            ("ticks equal", True),
            ("frames", True),
            ("ticks a second", True),
            ("sent again", True),
            ("frames damaged", True),
            ("safe states", True),
        ),
        rows,
        "What came of each trace",
        where="page",
    )


def _times(traces: list[dict[str, Any]]) -> Table:
    keys = (
        ("latency_ms_median", "latency, median, ms"),
        ("latency_ms_99", "99 %, ms"),
        ("latency_ms_worst", "worst, ms"),
        ("device_late_ticks", "ticks late by the device"),
        ("host_late_ticks", "by this machine"),
        ("send_jitter_ms_worst", "sent after its moment, worst, ms"),
    )
    return Table(
        (("trace", False), *((words, True) for _, words in keys)),
        [(Path(one["file"]).name, *(f"{one['real_time'][key]:.4g}" for key, _ in keys)) for one in traces],
        "From sending a step to its answer",
    )


def _latency(number: int, name: str, pace: Pace, facts: dict[str, Any]) -> Strip:
    """How long each step's answer took, over the run."""
    step = pace.tick_us / 1e6 * facts["ticks_equal"] / len(pace.latency_s)
    tick_ms = pace.tick_us / 1e3
    levels = [
        Level(f"one tick, {tick_ms:g} ms", tick_ms),
        Level("99 %", facts["real_time"]["latency_ms_99"], "limit-dashed"),
    ]
    line = Line("from sending a step to its answer", "latency")
    return Strip(
        f"latency-{number}",
        f"Latency: {name}",
        {"run": Series({"latency": Column.of(np.array(pace.latency_s) * 1e3, 3, "ms")}, step=step)},
        [Panel("Latency", "ms", [line], levels, height=200, bottom=0.0)],
        (0.0, step * len(pace.latency_s)),
    )


def _status(status: dict[str, Any]) -> Text:
    damaged = sum(status[name] for name in ("crc", "stuffing", "long", "short"))
    late = f", {status['late']} ticks that took too long" if status["late"] else ""
    stack = f", {status['stack_bytes']} bytes of stack" if status["stack_bytes"] else ""
    text = (
        f"Worst tick {status['worst_tick_ns'] / 1000:.1f} µs{late}{stack}, {damaged} damaged frames,"
        f" {status['repeated']} requests answered again, {status['overruns']} bytes lost by its port."
        f"{' It runs an older calibration than it was to keep.' if status['notes'] & OLDER else ''}"
    )
    return Text([text], "The device")


# --- the difference


def _difference(
    result: TraceResult, context: Context, difference: Difference, figure: Strip
) -> Iterator[Block]:
    text = [f"Different at {difference_text(result)}."]
    if difference.digest_only:
        text.append(
            "All outputs are right; only the state is not, so the cause lies in what is kept from"
            " tick to tick."
        )
    if result.replay_id:
        text.append(f"To see it again: liftlatch replay {result.replay_id}")
    yield Text(text)
    rows: list[list[str | Cell]] = [
        [
            f.name, value_text(f.name, f.expected), Cell(value_text(f.name, f.got), "bad"), str(f.expected),
            str(f.got),
        ]
        for f in difference.fields
    ]  # fmt: skip
    columns = (
        ("output", False), ("right", True), ("given", True), ("right, as sent", True),
        ("given, as sent", True),
    )  # fmt: skip
    yield Table(columns, rows, f"At tick {difference.tick}")
    yield figure
    yield _around(context, difference)


def _wrong(context: Context, difference: Difference) -> list[str]:
    """Outputs that differ anywhere in the context, those of the first difference first."""
    first = [f.name for f in difference.fields if f.name in (OUTPUT.names or ())]
    later = [
        name
        for name in OUTPUT.names or ()
        if name not in first and (context.expected[name] != context.got[name]).any()
    ]
    return first + later


def _strip(number: int, context: Context, difference: Difference) -> Strip:
    columns: dict[str, Column] = {}
    panels = []
    names = list(dict.fromkeys(["lift", "reduction", *_wrong(context, difference)]))
    for name in names:
        per, decimals, unit = UNITS.get(name, (1, 0, ""))
        for side, values in (("right", context.expected[name]), ("given", context.got[name])):
            whole = np.minimum(values.astype(np.int64), _SIGNED)
            words = {int(v): value_text(name, int(v)) for v in np.unique(whole)} if name in _NAMED else {}
            columns[f"{name}-{side}"] = Column(whole, per, unit, decimals, words)
        panels.append(
            Panel(
                name.replace("_", " ").capitalize(),
                unit,
                [
                    Line("right", f"{name}-right", "pale" if name == "lift" else "main", stepped=True),
                    Line("given", f"{name}-given", "limit-dashed", stepped=True),
                ],
                height=140,
            )
        )
    figure, at = f"ticks-{number}", float(difference.tick)
    first, last = float(context.start), float(context.start + len(context.inputs) - 1)
    return Strip(
        figure,
        "The ticks around the first difference",
        {"run": Series(columns, first=first)},
        panels,
        (max(first, at - 20), min(last, at + 20)),
        axis="tick",
        decimals=0,
        cursor=at,
        places=[
            Place("first difference", f"tick {difference.tick}", Jump(figure, at - 20, at + 20, at), "fault"),
            Place(
                "the whole stretch", f"ticks {first:.0f} to {last:.0f}", Jump(figure, first, last, at), "mark"
            ),
        ],
    )


def _around(context: Context, difference: Difference) -> Table:
    """The ticks around the difference: the outputs that differ, right and given."""
    wrong = _wrong(context, difference)[:6] or ["reduction"]
    at = difference.tick - context.start
    rows: list[list[str | Cell]] = []
    chosen = []
    for i in range(max(0, at - _ROWS), min(len(context.inputs), at + _ROWS + 1)):
        row: list[str | Cell] = [str(context.start + i), str(context.inputs["counts"][i])]
        for name in wrong:
            right, given = int(context.expected[name][i]), int(context.got[name][i])
            row += [value_text(name, right), Cell(value_text(name, given), "" if right == given else "bad")]
        if i == at:
            chosen.append(len(rows))
        rows.append(row)
    columns = [("tick", True), ("counts", True)]
    for name in wrong:
        columns += [(f"{name} right", True), ("given", True)]
    return Table(columns, rows, "Tick by tick", chosen=chosen)


_NAMED = ("state", "retard_state", "reason", "faults")
