"""What recordings of real range sensors show: how often they are wrong, for how long, and in which way.

None of the sensors looked at a car's nose. Only the shapes are taken from them: failures.py draws its bursts,
frozen readings, low readings and missing echoes within these figures. The recordings are no part of the
project; their sources stand in tests/hazards/README.md.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from tests import RECORDINGS

FOLDER = RECORDINGS / "range_sensors"

NO_ECHO_M = 5.0  # what the ultrasonic sensors read without an echo
OFF_MM = 50.0
AROUND = 21  # readings whose median stands for the truth, which nobody recorded


def run_lengths(marked: NDArray[np.bool_]) -> NDArray[np.int64]:
    """The lengths of all runs of marked readings, along the first axis, one sensor after another."""
    lengths: list[int] = []
    for column in marked.reshape(len(marked), -1).T:
        edges = np.flatnonzero(np.diff(np.concatenate([[False], column, [False]]).astype(np.int8)))
        lengths += (edges[1::2] - edges[::2]).tolist()
    return np.array(lengths, dtype=np.int64)


def ultrasound(path: Path = FOLDER / "ultrasound_24.csv") -> dict[str, float]:
    """24 ultrasonic sensors on a wheeled robot: missing echoes, and readings off by more than OFF_MM from
    the median of those around while these have echoes."""
    metres = np.genfromtxt(path, delimiter=",", skip_header=1, usecols=range(24))
    silent = metres >= NO_ECHO_M
    pad = AROUND // 2
    padded = np.pad(metres, ((pad, pad), (0, 0)), mode="edge")
    around = np.median(sliding_window_view(padded, AROUND, axis=0), axis=-1)
    off = ~silent & (np.abs(metres - around) > OFF_MM / 1000)
    agrees = np.zeros_like(off)
    agrees[1:] = off[1:] & off[:-1] & (np.abs(np.diff(metres, axis=0)) <= OFF_MM / 1000)
    bursts = run_lengths(agrees) + 1
    silences = run_lengths(silent)
    return {
        "no_echo_percent": 100 * float(silent.mean()),
        "off_percent": 100 * float(off.mean()),
        "agreeing_burst_median": float(np.median(bursts)),
        "agreeing_burst_95_percent": float(np.percentile(bursts, 95)),
        "agreeing_burst_longest": float(bursts.max()),
        "silence_median": float(np.median(silences)),
        "silence_95_percent": float(np.percentile(silences, 95)),
    }


def lidar(path: Path = FOLDER / "lidar_4_beams.csv") -> dict[str, float]:
    """Four laser beams of a vehicle that takes off and lands: readings of exactly 0, and readings of one beam
    more than a tenth below the median of the four."""
    metres = np.genfromtxt(path, delimiter=",", skip_header=1, usecols=range(1, 5))
    zero = metres == 0
    low = ~zero & (metres < 0.9 * np.median(metres, axis=1, keepdims=True))
    return {
        "zero_of_one_beam": float(zero.sum(axis=0).max()),
        "zero_longest": float(run_lengths(zero).max()),
        "low_longest": float(run_lengths(low).max()),
    }


def time_of_flight(path: Path = FOLDER / "tof_8x8_with_status.json") -> dict[str, float]:
    """A time-of-flight sensor of 8 by 8 zones that tells the status of each: readings it calls not valid, how
    many of those repeat the one before exactly, and for how long."""
    frames = json.loads(path.read_text())["tof"]
    distance, status = np.array(frames["distances"]), np.array(frames["status"])
    bad = status == 255
    same = np.zeros_like(bad)
    same[1:] = bad[1:] & (distance[1:] == distance[:-1])
    return {
        "not_valid_percent": 100 * float(bad.mean()),
        "repeated_percent": 100 * float(same.sum() / bad[1:].sum()),
        "frozen_longest": float(run_lengths(same).max() + 1),
    }
