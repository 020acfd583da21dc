"""The black box: a controller that runs by itself, judged from its sparks and injectors alone.

ticks (commands of many ticks), played (a run as wires), stories (runs made for a calibration), unit (a
controller with a clock and a converter of its own), judge (the ensemble of the right firmware, and what
leaves it), protocol and play (a box on a line), wire (box and controller joined in virtual time), run (all
runs of a verify), facts and document (what is said). Nothing is imported here, so that the command line
starts quickly.
"""
