"""The cells (failure, phase) of the suite, and by which rules each is promised to give no torque back.

A cell without rules is not promised: what the failed sensor reads there cannot be told from a nose that
moves. Such returns are counted, listed and pinned, so that their number cannot grow unnoticed.
"""

from __future__ import annotations

from .runs import PHASES

# failure: (rules of the promise, phases in which it holds, what it is or why the rest is not promised)
_ALL = PHASES
_NONE: tuple[str, ...] = ()
_TABLE: dict[str, tuple[str, tuple[str, ...], str]] = {
    "none": ("H1-H9, L1-L8", _ALL, "a healthy sensor, also with the nose beyond its range"),
    "lost_high": ("H4 H5 H6", _ALL, "open, pulled up"),
    "zero_volt": ("H4 H5 H6", _ALL, "0 V"),
    "far_end": ("H3 H5", _ALL, "the far end, or the last count of the window"),
    "constant_below": ("H3 H5 H6 H8", _ALL, "one height further below than the allowance ever grows"),
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
    "arming_open": ("L8", _ALL, "the arming input opens for one tick or for less than 100 ms"),
}

FAILURES = tuple(_TABLE)
CELLS = tuple((failure, phase) for failure in FAILURES for phase in PHASES)


def promise(failure: str, phase: str) -> str:
    """The rules that promise that no torque comes back in this cell; empty where none does."""
    rules, phases, _ = _TABLE[failure]
    return rules if phase in phases else ""


def story(failure: str) -> str:
    """What fails, and why that is not promised where it is not."""
    return _TABLE[failure][2]
