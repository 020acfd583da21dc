"""Verify: a device against the reference, tick by tick.

source (where the inputs come from), compare (the run and the first difference), timing (real time), facts and
document (what is said), files (junit.xml, tables), rerun (a difference again, by its id), command (the
command line). Nothing is imported here, so that the command line starts quickly.
"""
