"""Settings for a car, sought in its model: the least time with lift, landing and bar within limits.

From the command inwards: command, study (the search from start to result), settings (the few numbers that are
sought, and the calibration with them), wishes (where they may be sought), limits (what must be kept, and how
well a setting keeps it), evolve (how the next settings are chosen), spread (the cars and tracks that all
settings drive), drive (who drives them), state (what is kept to go on later), progress (the line on a
terminal), facts, document and figure (what is said), files.
"""
