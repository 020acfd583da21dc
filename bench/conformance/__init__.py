"""The conformance set: chosen calibrations and inputs, and what the reference makes of them.

inputs and cases (made-up runs, and what the reference makes of them), chosen_set (those of the set), images
(what a controller must refuse or accept), cost (what a line carries), shrink (a difference made small),
check.c and main.c (the set on a board without a line). set.toml holds the seeds that were chosen, and the
digest of all that follows from them. Nothing is imported here, so that the command line starts quickly.
"""
