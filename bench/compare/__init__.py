"""Comparing calibrations on recorded runs, and recorded runs with one another: what was changed, and where do
the commands differ for it?

From the command inwards: command, study (every calibration on every trace), changes (of settings), difference
(of commands), facts, texts, document and figure (what is said), files (differences.csv).
"""
