"""Hypothesis strategies for calibrations and inputs, made by the same code as the cases of bench.twin."""

from __future__ import annotations

from hypothesis import strategies as st

from bench.calibration.image import Values
from bench.twin.generate import Ints, make_inputs, make_values


class _Drawn:
    """A source whose numbers hypothesis chooses, and shrinks towards 0."""

    def __init__(self, draw: st.DrawFn) -> None:
        self._draw = draw

    def whole(self, below: int) -> int:
        return self._draw(st.integers(0, below - 1))


@st.composite
def calibrations(draw: st.DrawFn) -> Values:
    """The values of a calibration that the controller accepts, mostly plausible, sometimes extreme."""
    return make_values(_Drawn(draw))


@st.composite
def traces(draw: st.DrawFn, values: Values, most_ticks: int) -> dict[str, Ints]:
    """Inputs for a calibration: an array for each input and the tick numbers."""
    return make_inputs(_Drawn(draw), values, draw(st.integers(1, most_ticks)))


@st.composite
def cases(draw: st.DrawFn, most_ticks: int = 300) -> tuple[Values, dict[str, Ints]]:
    """A calibration and inputs for it."""
    values = draw(calibrations())
    return values, draw(traces(values, most_ticks))
