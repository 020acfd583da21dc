"""Many calibrations over many traces: what each setting would have taken.

From the command inwards: command, vary (the settings), lines (of a calibration), study (the batch), local and
cluster (who steps it), measure (what is kept of a run), facts, document and figure (what is said), files
(sweep.csv).
"""
