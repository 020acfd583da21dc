"""What the numbers of the controller's outputs are called when a person reads them."""

from __future__ import annotations

from controller import constants as c

# What stepped a run, by its name in a summary.
CORES = {"c": "the C core", "reference": "the reference"}

STATES = {
    c.REST: "rest",
    c.PEAK: "peak",
    c.HOLD: "hold",
    c.RELEASE: "release",
    c.KEPT: "kept",
    c.FAULT_RELEASE: "fault_release",
}

REASONS = {
    c.REASON_NONE: "none",
    c.REASON_LIFT: "lift",
    c.REASON_OUT_OF_SIGHT: "out of sight",
    c.REASON_KEPT: "kept (fault)",
    c.REASON_BLIND: "blind (fault)",
    c.REASON_ENGINE: "engine ceiling",
    c.REASON_SHAFT: "shaft ceiling",
}

ASKERS = {
    c.ASKER_LIFT: "lift",
    c.ASKER_BLIND: "blind (fault)",
    c.ASKER_ENGINE: "engine ceiling",
    c.ASKER_SHAFT: "shaft ceiling",
    c.ASKER_OUTSIDE: "outside",
}

# bit -> (short name, what it says)
FAULTS = {
    c.FAULT_UNUSED: ("unused", "sample not used"),
    c.FAULT_SENSOR: ("sensor", "too many samples not used"),
    c.FAULT_FALL: ("fall", "height fell too fast"),
    c.FAULT_STUCK: ("stuck", "reading does not move"),
    c.FAULT_OUT_OF_SIGHT: ("out_of_sight", "nose held to be beyond the sensor's range"),
    c.FAULT_AT_LAUNCH: ("at_launch", "a fault was present at launch"),
    c.FAULT_ACQUIRING: ("acquiring", "no sample accepted since power-up"),
    c.FAULT_SPEED: ("speed", "no valid speed"),
    c.FAULT_TICK: ("tick", "tick number was not the last plus one"),
    c.FAULT_INPUT: ("input", "input outside its legal range was cut"),
    c.FAULT_NO_IMAGE: ("no_image", "no calibration is active"),
}


def reason_name(reason: int) -> str:
    """The name of a reason number; those from 16 on are the outside request's own."""
    return REASONS.get(reason) or f"outside {reason}"


OUT_OF_SERVICE = c.FAULT_SENSOR | c.FAULT_FALL | c.FAULT_STUCK | c.FAULT_ACQUIRING | c.FAULT_NO_IMAGE
"""With any of these faults on the controller does not act on the height."""

OUT_SHARE = 0.1
"""A controller out of service for more than this share of a run is said before everything else."""
