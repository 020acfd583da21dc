"""The hazard suite: every way the height sensor, its wiring or the arming input can fail, at every phase.

Each cell (failure, phase) is run many times with random calibrations and flights, half of the runs with
look-ahead. Two criteria judge a run: torque does not come back because the sensor failed, and what the
rules promise besides (judge.py). cells.py says which cells are promised and by which rules;
`python -m tests.hazards` prints the table of them all; pinned.toml keeps the runs in which torque came back
where nothing promises that it does not.
"""
