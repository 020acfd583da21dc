"""Verify: a device against the reference, tick by tick.

source (where the inputs come from), compare (the run and the first difference), timing (real time), report
(what is written), command (the command line). Nothing is imported here, so that the command line starts
quickly.
"""
