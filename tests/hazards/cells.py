"""The cells (failure, phase) of the suite, and by which rules each is promised to give no torque back.

In the phase "clean" the nose stays below every ceiling, so that no torque can come back; there it counts
what a race loses to the failure. A cell without rules is not promised: what the failed sensor reads there
cannot be told from a nose that moves. Such returns are counted, listed and pinned, so that their number
cannot grow unnoticed.
"""

from __future__ import annotations

from .runs import PHASES

# failure: (rules of the promise, phases in which it holds, what it is or why the rest is not promised)
_ALL = PHASES
_BEYOND = ("top",)
_NONE: tuple[str, ...] = ()
_TABLE: dict[str, tuple[str, tuple[str, ...], str]] = {
    "none": ("H1-H9, L1-L8", _ALL, "a healthy sensor, also with the nose beyond its range"),
    "lost_high": ("H4 H5 H6", _ALL, "open, pulled up"),
    "zero_volt": ("H4 H5 H6", _ALL, "0 V"),
    "far_end": ("H3 H5", _ALL, "the far end, or the last count of the window"),
    "constant_below": (
        "H3 H5 H6 H8",
        ("before", "top", "falling", "after", "landing", "clean"),
        "one height further below than the allowance ever grows; with nothing taken it heals as any other",
    ),
    "constant_near": ("", _NONE, "one height within the grown allowance: a nose that fell and stays"),
    "wander_within": ("", _NONE, "a walk no faster than a nose: a nose that moves so"),
    "wander_beyond": ("H3 H4 H6", _ALL, "jumps beyond the allowance of a sample"),
    "stuck": ("H8", ("before",), "frozen; once torque is taken, a nose steady on its wheelie bar"),
    "spikes_up": ("H3 H5 H6", _ALL, "spikes upwards beyond the allowance"),
    "spikes_down": ("H3 H5 H6", _ALL, "spikes downwards beyond the allowance"),
    "spikes_alternating": ("H3 H5 H6", _ALL, "spikes up and down in turn"),
    "spikes_within": ("", _NONE, "downward spikes within the allowance: noise, or a falling nose"),
    "mostly_dead": ("H4 H5 H6", _ALL, "60 to 90 % of the samples lost"),
    "intermittent": ("H4 H5 H6", _ALL, "a loose contact, lost and there in turn"),
    "slow": ("H3 H6", _ALL, "the reading changes every few samples only: late by that much"),
    "agreeing_bursts": ("", _NONE, "3 to 20 wrong readings that agree: a nose that moved fast"),
    "low_plume": ("", _NONE, "some 40 low readings: within the allowance, a nose that fell"),
    "no_echo_far": ("", _NONE, "no echo reads as the far end, now and then"),
    "no_echo_lost": ("H4 H5 H6", _ALL, "no echo reads as lost, now and then"),
    "sparse_losses": ("H3 H5", _ALL, "1 to 3 % of the samples lost"),
    "beyond_random": ("", _NONE, "beyond the range: any low height; some agree in a slow sensor's near end"),
    "beyond_constant": ("", _NONE, "beyond the range: one height, for 1.5 s or near a slow sensor's end"),
    "beyond_plume": ("", _NONE, "beyond the range: a height that wanders slowly, the same"),
    "beyond_rest": ("", _NONE, "beyond the range: lost, then as of a nose at rest"),
    "lost_then_rest": ("", _NONE, "lost for 0.3 s or more, then as of a nose at rest"),
    "lost_then_wander": ("", _NONE, "lost for 0.3 s or more, then a slow walk above rest"),
    "lost_then_frozen": (
        "H10",
        ("top",),
        "lost for 0.3 s or more, then frozen at rest; H10 needs torque taken",
    ),
    "slides": ("", _NONE, "a signal that decays: a nose that falls"),
    "random_in_range": ("", _NONE, "any height for 0.3 s: on a slow sensor some of them agree"),
    "dropout_then_spike": ("", _NONE, "lost, then within what a nose may have moved meanwhile"),
    "arming_open": ("L8", _ALL, "the arming input opens for one tick or for less than 100 ms"),
}

FAILURES = tuple(_TABLE)
CELLS = tuple(
    (failure, phase)
    for failure in FAILURES
    for phase in (_BEYOND if failure.startswith("beyond") else PHASES)
)


def promise(failure: str, phase: str) -> str:
    """The rules that promise that no torque comes back in this cell; empty where none does."""
    rules, phases, _ = _TABLE[failure]
    return rules if phase in phases else ""


def story(failure: str) -> str:
    """What fails, and why that is not promised where it is not."""
    return _TABLE[failure][2]
