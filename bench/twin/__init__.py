"""The reference and the C core side by side on the same inputs, and made-up inputs to run them on.

generate (calibrations and inputs from a source of whole numbers), case (a case that its id makes again),
compare (both controllers over a case, and the first difference), long (many cases), replay_case (a case by
its id, for replay). `python -m bench.twin` makes a long run. Nothing is imported here, so that the command
line starts quickly.
"""
