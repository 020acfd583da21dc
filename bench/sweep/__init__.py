"""Many calibrations over many traces: what each setting would have taken.

From the command inwards: command, vary (the settings), study (the batch), here and cluster (who steps it),
measure (what is kept of a run), report, picture and screen.
"""
