"""Comparing calibrations on recorded runs, and recorded runs with one another: what was changed, and where do
the commands differ for it?
"""
