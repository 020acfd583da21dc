"""Replay: the controller run over a recorded trace, and what came of it.

inputs (trace to controller inputs), launching (where the runs begin), run (the stepping), findings, torque
and remarks (what it means), facts, document and figure (what is said), decimate and figure_data (what is
drawn), files (the tables), command (the command line). Nothing is imported here, so that the command line
starts quickly.
"""
