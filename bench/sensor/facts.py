"""The facts of a sensor's measurement: plain values, as --json and summary.json have them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from bench.calibration.reader import CalibrationMistakes
from bench.calibration.rewrite import save
from bench.cautions import CAUTIONS
from bench.facts import head
from bench.sensor import measured
from bench.sensor.keys import NO_NOISE_MM, NO_NOSE_MM_PER_S, SPREADS, Key, keys
from bench.sensor.recording import Recording
from bench.sensor.study import Study
from bench.trace.text import percent

SUMMARY_VERSION = 1
_FOLLOWS = 0.8  # a channel that correlates less is another movement


def make_facts(study: Study, words: Sequence[str], against: str | None) -> dict[str, Any]:
    """Everything that the document says, worked out."""
    proposed = keys(study)
    text, mistakes = _proposal(study, proposed)
    noise = study.noise
    return {
        **head(SUMMARY_VERSION, words),
        "calibration": {"file": str(study.calibration.path), "sha256": study.calibration.digest},
        "recordings": [_recording(study, one) for one in study.recordings],
        "curve": _curve(study),
        "noise": None if noise is None else {
            "standard_deviation_mm": noise.sigma_mm,
            "drift_mm": noise.drift_mm,
            "stood_s": noise.stood_s,
            "spikes_share": noise.spikes,
            "spike_bursts": noise.bursts,
            "spike_longest_burst_rows": noise.longest_burst,
            "spike_mean_burst_rows": noise.mean_burst,
            "step_mm": noise.step_mm,
        },
        "period_ms": None if study.period_s is None else 1000 * study.period_s,
        "rest_height_mm": None if study.rest is None else study.rest[0],
        "fastest_mm_per_ms": study.fastest_mm_per_s / 1000,
        "delay": None if study.delay is None else {
            "against": against, "ms": 1000 * study.delay.seconds, "correlation": study.delay.correlation,
            "follows": abs(study.delay.correlation) >= _FOLLOWS,
        },
        "keys": [
            {"key": one.key, "in_file": one.in_file or None, "proposed": one.proposed, "changes": one.changes,
             "reason": one.reason}
            for one in proposed
        ],
        "mistakes": mistakes,
        "proposed_calibration": text,
        "alarm": list(_alarm(study)),
        "not_shown": list(_not_shown(study, against)),
        "cautions": CAUTIONS,
    }  # fmt: skip


def _proposal(study: Study, proposed: Sequence[Key]) -> tuple[str | None, list[str]]:
    """(the calibration's text with the proposed keys, nothing wrong) or (None, what is wrong with it)."""
    changes: dict[str, Any] = {one.key: one.value for one in proposed if one.changes}
    curve = next((key for key in changes if key in ("sensor.curve_v", "sensor.curve_counts")), None)
    if curve is not None:  # one way of saying it takes the other's place
        for other in {"sensor.curve_v", "sensor.curve_counts"} - {curve}:
            changes[other] = None
    try:
        return _commented(save(study.calibration, changes), proposed), []
    except CalibrationMistakes as wrong:
        return None, [str(error) for error in wrong.errors]


def _commented(text: str, proposed: Sequence[Key]) -> str:
    """The text with what is behind each changed key, and each one that was guessed, saying where the number
    is from."""
    import tomlkit

    document = tomlkit.parse(text)
    for one in proposed:
        *sections, key = one.key.split(".")
        table: Any = document
        for section in sections:
            table = table.get(section, {})
        if key in table and (one.changes or table[key].trivia.comment.startswith("# guessed")):
            table[key].comment(one.comment)
    return tomlkit.dumps(document)


def _recording(study: Study, one: Recording) -> dict[str, Any]:
    start = float(one.time_s[0])
    return {
        "file": str(one.path),
        "sha256": one.digest,
        "shows": _shows(study, one),
        "duration_s": float(one.time_s[-1]) - start,
        "rows": len(one.time_s),
        "row_ms": 1000 * one.row_s,
        "unit": one.unit,
        "repeated_share": measured.repeats(one),
        "longest_repeat_ms": 1000 * measured.longest_repeat_s(one),
        "least_mm": float(one.height_mm[one.good].min()),
        "greatest_mm": float(one.height_mm[one.good].max()),
        "nothing": one.nothing,
        "nothing_share": float(np.mean(~one.good)),
        "plateaus": [
            {"start_s": float(one.time_s[p.start]), "stop_s": float(one.time_s[p.stop - 1]),
             "reading": p.reading, "height_mm": p.height_mm}
            for p in one.plateaus
        ],
    }  # fmt: skip


def _shows(study: Study, one: Recording) -> str:
    if _frozen(one):
        return "a reading that never moves"
    if one is study.blocks:
        return "known heights"
    if one.stands:
        return "a car that stands"
    return "a nose that moves"


def _frozen(one: Recording) -> bool:
    return bool((one.reading == one.reading[0]).all())


def _curve(study: Study) -> dict[str, Any] | None:
    if study.blocks is None:
        return None
    readings = [one.reading for one in study.blocks.plateaus]
    curve = study.curve
    if curve is None:  # heights in mm: how far off the calibrated curve is
        left = [mm - p.height_mm for mm, p in zip(study.known_mm, study.blocks.plateaus, strict=True)]
        return {"known_mm": study.known_mm, "readings": readings, "left_mm": left, "points": None}
    return {
        "known_mm": study.known_mm,
        "readings": readings,
        "points": [[float(x), float(y)] for x, y in zip(curve.readings, curve.heights, strict=True)],
        "left_mm": curve.left.tolist(),
        "straight_left_mm": curve.straight_left.tolist(),
        "judged": curve.shown,
    }


def _alarm(study: Study) -> Iterator[str]:
    """What must not be overlooked."""
    calibration = study.calibration
    low, high = calibration.number("window_low"), calibration.number("window_high")
    for one in study.recordings:
        name = one.path.name
        if _frozen(one):
            yield f"{name}: THE READING NEVER MOVES, {one.reading[0]:g} all the time. That is no height."
        if one.unit != "count":
            continue
        good = one.reading[one.good]
        outside = float(np.mean((good < low) | (good > high)))
        if outside and not _frozen(one):
            yield (
                f"{name}: {percent(outside)} of the readings lie outside window_counts = [{low}, {high}],"
                " where the controller takes the sensor for broken."
            )
    least, most = study.readings
    for nothing in study.nothings:
        if least <= nothing <= most:
            yield (
                f"{nothing:.0f} counts, what it reads when it sees nothing, is also the reading of a height:"
                " no window can tell them apart."
            )
        elif low <= nothing <= high:
            yield (
                f"{nothing:.0f} counts, what it reads when it sees nothing, lie inside the window: the"
                " controller takes them for a height."
            )
    noise, allowed = study.noise, calibration.number("allowance") / 16
    if noise is not None and noise.sigma_mm > NO_NOISE_MM:
        yield (
            f"A STANDING HEIGHT SPREADS BY {noise.sigma_mm:.0f} mm (one standard deviation): it did not"
            " stand, or this is no measurement of it. No key follows."
        )
    elif noise is not None and SPREADS * noise.sigma_mm > allowed:
        yield (
            f"noise_mm = {allowed:g} IS TOO SMALL: the height stood for {noise.stood_s:.1f} s with a spread"
            f" of {noise.sigma_mm:.2f} mm, and noise_mm is four spreads. The controller would take healthy"
            " readings for wrong ones, and be out of service."
        )


def _not_shown(study: Study, against: str | None) -> Iterator[str]:
    """What these recordings do not tell, and which would."""
    if study.blocks is None:
        yield "the curve: record some known heights, and give them with --heights"
    elif study.curve is None:
        yield "the curve: these recordings are in mm; record volts or counts"
    if study.noise is None:
        yield "noise, drift and spikes: record the car standing still for ten seconds or more"
    if study.rest is None:
        yield "the rest height: record the car standing on the line, without blocks"
    if study.period_s is None:
        row = 1000 * min(one.row_s for one in study.recordings)
        yield f"the sensor's own period: it is no longer than the {row:.3g} ms of a row, or does not repeat"
    if all(one.nothing is None for one in study.recordings):
        yield "what it reads when it sees nothing: turn it to the sky, or unplug it, while recording"
    runs = any(np.nanmax(one.speed_kmh, initial=0) > 5 for one in study.recordings)
    if study.fastest_mm_per_s > NO_NOSE_MM_PER_S:
        yield (
            f"how fast the nose moves: readings went by {study.fastest_mm_per_s / 1000:.0f} mm/ms, faster"
            " than any nose, so wrong ones are among them"
        )
    elif not runs:
        yield "how fast a nose moves in a launch: a hand is slower; add a run"
    if against is None:
        yield "its delay: give another channel of the same movement with --against"
    elif study.delay is None:
        yield f"its delay: {against} or the height does not move here"
    yield "heat, rain, sun, dust and vibration: only what was recorded was measured"
