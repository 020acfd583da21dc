"""The picture of a run: drawn for every kind of run, of what happened."""

from __future__ import annotations

from itertools import pairwise
from xml.etree import ElementTree as xml

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.calibration import CalibrationFile
from bench.document.blocks import Panel, Strip
from bench.document.svg import picture as svg
from bench.replay.figure import picture
from bench.replay.findings import Replay, find
from bench.replay.inputs import Inputs
from bench.replay.run import Ints, run
from bench.trace.spans import spans
from tests.bench.replay.test_replay_remarks import nose
from tests.bench.replay.test_replay_run import inputs
from tests.replay_support import compiled


def figure(arrays: dict[str, Ints], file: CalibrationFile, has_engine: bool = True) -> tuple[Strip, Replay]:
    """The strip of the picture of the first run."""
    put = Inputs(1000, 0.0, 0, arrays, arrays["counts"] == 0, has_engine, [])
    stepped = Replay(put, run("reference", file.image, arrays), file)
    found = find(stepped)
    (strip,) = picture(stepped, found, found.launches[0] if found.launches else None)
    return strip, stepped


def texts(strip: Strip, title: str = "a run") -> list[str]:
    """All texts in the picture, which is read by an XML parser (W3C XML 1.0)."""
    return [text.strip() for text in xml.fromstring(svg(title, [strip])).itertext() if text.strip()]


def panel(strip: Strip, title: str) -> Panel:
    return next(one for one in strip.panels if isinstance(one, Panel) and one.title == title)


LIFT = "Lift at the front axle"


class TestPicture:
    def test_shows_lift_and_ceilings(self) -> None:
        strip, _ = figure(inputs(4000, counts=nose(310), engine=7000), compiled())
        lines = {line.label: line.look for line in panel(strip, LIFT).lines}
        # three ceilings, a solid, a dashed and a dotted line
        assert lines["full reduction"] == "limit"
        assert lines["reduction from"] == "limit-dashed"
        assert lines["retard from"] == "limit-dotted"
        found = texts(strip)
        for text in ("full reduction", "reduction from", "retard from", "lift"):
            assert text in found
        assert "out of sight" not in found

    def test_shades_what_is_out_of_sight(self) -> None:
        strip, s = figure(inputs(4000, counts=nose(420), engine=7000), compiled())
        shade = panel(strip, LIFT).shades[0]
        faults = strip.series["run"].columns[shade.column].numbers
        assert ((faults & shade.mask) != 0).tolist() == ((s.ticks["faults"] & 16) != 0).tolist()
        assert (faults & shade.mask).any()
        assert "out of sight" in texts(strip)

    def test_tells_the_height_of_the_peaks(self) -> None:
        strip, s = figure(inputs(4000, counts=nose(310), engine=7000), compiled())
        lift = s.ticks["lift"]
        (note,) = panel(strip, LIFT).notes
        assert note.text == f"{lift.max() / 16:.0f} mm"
        assert note.at == pytest.approx(int(lift.argmax()) / 1000)
        assert note.text in texts(strip)

    @pytest.mark.parametrize(
        "kind", ["no launch", "no engine", "lost", "nothing happens", "shaft ceiling", "all ask", "short"]
    )
    def test_every_kind_of_run(self, kind: str) -> None:
        arrays = inputs(3000, counts=nose(310, 3000), engine=7000, shaft=4000)
        file = compiled()
        if kind == "no launch":
            arrays["launch"][:] = 0
        elif kind == "lost":
            arrays["counts"][900:1200] = 0
        elif kind == "nothing happens":
            arrays = inputs(3000)
        elif kind == "shaft ceiling":
            file = compiled(shaft_points=2, shaft_ms=[0, 1000], shaft_rpm=[3900, 3800], shaft_after_end=1)
        elif kind == "all ask":
            arrays |= inputs(3000, counts=nose(310, 3000), engine=9000, shaft=4000, request_reduction=300)
            arrays["counts"][2500:] = 0
            file = compiled(
                engine_points=1, engine_ms=[0], engine_rpm=[8900],
                shaft_points=1, shaft_ms=[0], shaft_rpm=[3900],
            )  # fmt: skip
        elif kind == "short":
            arrays = {name: column[198:203] for name, column in arrays.items()}
            arrays["launch"][:] = [0, 0, 1, 1, 1]
            arrays["request_reduction"][:] = 300
        strip, _ = figure(arrays, file, has_engine=kind != "no engine")
        found = texts(strip)
        assert any("not a safety device" in text for text in found)
        assert any(text.startswith("Cylinder events") for text in found) == (kind != "no engine")

    def test_names_what_is_too_short_for_its_name(self) -> None:
        # 80 ms of a wild engine in a picture of 2.3 s
        arrays = inputs(3000, counts=1063, engine=np.where(np.abs(np.arange(3000) - 1000) < 40, 9000, 6000))
        file = compiled(engine_points=1, engine_ms=[0], engine_rpm=[8900])
        assert texts(figure(arrays, file)[0]).count("engine ceiling") == 1
        assert "engine ceiling" not in texts(figure(inputs(3000, counts=1063, engine=6000), file)[0])

    def test_faults_at_the_same_time_have_one_name(self) -> None:
        # a fall to 0 mm within one sample, while torque is taken
        fallen = nose(310)
        fallen[1300:] = 50
        found = texts(figure(inputs(4000, counts=fallen, engine=7000), compiled())[0])
        assert "sensor, fall" in found
        assert not {"sensor", "fall"} & set(found)

    def test_is_the_same_each_time(self) -> None:
        arrays = inputs(3000, counts=nose(310, 3000), engine=7000)
        first, second = (svg("a run", [figure(arrays, compiled())[0]]) for _ in range(2))
        assert first == second

    def test_a_long_run_is_thinned(self) -> None:
        arrays = inputs(40000, counts=np.tile(nose(310, 4000), 10), engine=7000)
        assert len(svg("a run", [figure(arrays, compiled())[0]])) < 400_000

    def test_a_title_is_no_formula(self) -> None:
        title = "$x_{ \\frac$ \u65e5\u672c.csv <b>&amp;"
        assert title in texts(figure(inputs(300), compiled())[0], title)


class TestSpans:
    @given(st.lists(st.booleans(), max_size=60))
    def test_are_the_stretches(self, mask: list[bool]) -> None:
        found = spans(np.array(mask, bool))
        assert [i for a, b in found for i in range(a, b)] == [i for i, holds in enumerate(mask) if holds]
        assert all(b < c for (_, b), (c, _) in pairwise(found))
