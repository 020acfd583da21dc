"""The picture of a run: drawn for every kind of run, of what happened, and nothing is lost by thinning it."""

from __future__ import annotations

import warnings
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure

from bench.calibration import CalibrationFile
from bench.replay.findings import Replay, find
from bench.replay.inputs import Inputs
from bench.replay.picture import (
    _coarse,
    _Drawing,
    _extremes,
    _thinned,
    _Window,
    picture_name,
    write_picture,
)
from bench.replay.run import Ints, Run, run
from bench.replay.spans import spans
from tests.bench.replay.test_replay_remarks import nose
from tests.bench.replay.test_replay_run import inputs
from tests.replay_support import compiled


def drawn(
    path: Path, arrays: dict[str, Ints], file: CalibrationFile, has_engine: bool = True, title: str = "a run"
) -> tuple[np.ndarray, Run]:
    """The pixels of the picture of the first run, float[height, width, 3] from 0 (black) to 1."""
    import matplotlib.image

    made = run("reference", file.image, arrays)
    put = Inputs(1000, 0.0, 0, arrays, arrays["counts"] == 0, has_engine, [])
    stepped = Replay(put, made, file)
    found = find(stepped)
    launch = found.launches[0] if found.launches else None
    write_picture(path / "run.png", title, stepped, found, launch)
    return matplotlib.image.imread(path / "run.png")[:, :, :3], made


def written(arrays: dict[str, Ints], file: CalibrationFile) -> list[str]:
    """All texts in the picture of the first run, but those of the axes."""
    put = Inputs(1000, 0.0, 0, arrays, arrays["counts"] == 0, True, [])
    stepped = Replay(put, run("reference", file.image, arrays), file)
    found = find(stepped)
    figure = Figure()
    _Drawing(figure, stepped, found, found.launches[0]).draw("a run")
    return [text.get_text() for panel in figure.axes for text in panel.texts]


def ink(pixels: np.ndarray, color: tuple[int, int, int], off: float = 0.02) -> np.ndarray:
    """bool[height, width]: where a colour is."""
    return (np.abs(pixels - np.array(color) / 255) < off).all(axis=2)


ORANGE, OUT_OF_SIGHT = (0xD5, 0x5E, 0), (0xF5, 0xC9, 0xA6)


class TestPicture:
    def test_shows_lift_and_ceilings(self, tmp_path: Path) -> None:
        pixels, _ = drawn(tmp_path, inputs(4000, counts=nose(310), engine=7000), compiled())
        height, width = pixels.shape[:2]
        assert (width, height) > (1100, 900)
        assert ink(pixels, (0, 0, 0)).mean() > 0.005
        # three ceilings cross the top panel, a solid, a dashed and a dotted line
        across = ink(pixels, ORANGE, 0.3)[: height // 3, : int(0.85 * width)].mean(axis=1)
        lines = [across[start:stop].max() for start, stop in spans(across > 0.15)]
        assert len(lines) == 3
        assert lines[0] > lines[1] > lines[2]
        assert not (ink(pixels, OUT_OF_SIGHT).sum(axis=0) > 50).any()

    def test_shades_what_is_out_of_sight(self, tmp_path: Path) -> None:
        pixels, made = drawn(tmp_path, inputs(4000, counts=nose(420), engine=7000), compiled())
        assert (made.ticks["faults"] & 16).any()
        columns = np.flatnonzero(ink(pixels, OUT_OF_SIGHT).sum(axis=0) > 50)
        assert columns[-1] - columns[0] + 1 == pytest.approx(len(columns), abs=4)
        # as wide as it was long, on an axis of 0.79 of the width, which shows the whole trace
        axis = 0.79 * pixels.shape[1]
        ((start, stop),) = spans(made.ticks["faults"] & 16)
        assert len(columns) / axis == pytest.approx((stop - start) / 4000, rel=0.08)

    @pytest.mark.parametrize(
        "kind", ["no launch", "no engine", "lost", "nothing happens", "shaft curve", "all ask", "short"]
    )
    def test_every_kind_of_run(self, tmp_path: Path, kind: str) -> None:
        arrays = inputs(3000, counts=nose(310, 3000), engine=7000, shaft=4000)
        file = compiled()
        if kind == "no launch":
            arrays["launch"][:] = 0
        elif kind == "lost":
            arrays["counts"][900:1200] = 0
        elif kind == "nothing happens":
            arrays = inputs(3000)
        elif kind == "shaft curve":
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
        pixels, _ = drawn(tmp_path, arrays, file, has_engine=kind != "no engine")
        assert 0.01 < (pixels.min(axis=2) < 0.5).mean() < 0.5
        # nothing runs out of the picture
        for edge in (pixels[0], pixels[-1], pixels[:, 0], pixels[:, -1]):
            assert edge.min() == 1.0

    def test_names_what_is_too_short_for_its_name(self) -> None:
        # 80 ms of a wild engine in a picture of 2.3 s
        arrays = inputs(3000, counts=1063, engine=np.where(np.abs(np.arange(3000) - 1000) < 40, 9000, 6000))
        file = compiled(engine_points=1, engine_ms=[0], engine_rpm=[8900])
        assert written(arrays, file).count("engine curve") == 1
        assert "engine curve" not in written(inputs(3000, counts=1063, engine=6000), file)

    def test_faults_at_the_same_time_have_one_name(self) -> None:
        # a fall to 0 mm within one sample, while torque is taken
        fallen = nose(310)
        fallen[1300:] = 50
        found = written(inputs(4000, counts=fallen, engine=7000), compiled())
        assert "sensor, fall" in found
        assert not {"sensor", "fall"} & set(found)

    def test_is_the_same_each_time(self, tmp_path: Path) -> None:
        files = []
        for _ in range(2):
            drawn(tmp_path, inputs(3000, counts=nose(310, 3000), engine=7000), compiled())
            files.append((tmp_path / "run.png").read_bytes())
        assert files[0] == files[1]

    def test_a_long_run_is_thinned(self, tmp_path: Path) -> None:
        arrays = inputs(40000, counts=np.tile(nose(310, 4000), 10), engine=7000)
        drawn(tmp_path, arrays, compiled())
        assert (tmp_path / "run.png").stat().st_size < 400_000

    def test_a_title_is_no_formula(self, tmp_path: Path) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            drawn(tmp_path, inputs(300), compiled(), title="$x_{ \\frac$ \u65e5\u672c.csv")

    def test_names(self) -> None:
        assert [picture_name(number) for number in (0, 1, 2, 12)] == [
            "run.png",
            "run.png",
            "run_2.png",
            "run_12.png",
        ]


def test_seconds_go_below_the_launch() -> None:
    # ticks of events are unsigned
    window = _Window(start=0, stop=10, zero=5, tick_s=0.001)
    assert window.seconds(np.array([3, 7], np.uint32)).tolist() == pytest.approx([-0.002, 0.002])


class TestThinning:
    @settings(max_examples=40)
    @given(st.integers(6001, 40000), st.data())
    def test_keeps_every_peak_and_every_dip(self, n: int, data: st.DataObject) -> None:
        values = np.zeros(n)
        high, low = data.draw(st.integers(0, n - 1)), data.draw(st.integers(0, n - 1))
        values[high], values[low] = 7, -7
        at = _thinned(n)
        line = _extremes(values, at)
        assert len(line) == len(at) <= 3000
        assert line.min() == -7
        assert line.max() == (7 if high != low else 0)

    def test_leaves_a_short_line_alone(self) -> None:
        values = np.arange(6000)
        assert _extremes(values, _thinned(6000)).tolist() == values.tolist()

    def test_keeps_a_single_tick_of_a_band(self) -> None:
        codes = np.zeros(90001, int)
        codes[44444] = 3
        coarse = _coarse(codes)
        assert len(coarse) == len(codes)
        ((start, stop),) = spans(coarse)
        assert start <= 44444 < stop
        assert stop - start < 100


class TestSpans:
    @given(st.lists(st.booleans(), max_size=60))
    def test_are_the_stretches(self, mask: list[bool]) -> None:
        found = spans(np.array(mask, bool))
        assert [i for a, b in found for i in range(a, b)] == [i for i, holds in enumerate(mask) if holds]
        assert all(b < c for (_, b), (c, _) in pairwise(found))
