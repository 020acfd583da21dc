"""Replay: the controller run over a recorded trace, and what came of it.

inputs (trace to controller inputs), launching (where the runs begin), run (the stepping), findings and torque
(what it means), files and picture (what is written), command (the command line). Nothing is imported here, so
that the command line starts quickly.
"""
