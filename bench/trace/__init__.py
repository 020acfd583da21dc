"""Recorded runs: reading them (`read`), what they hold (`model`), and laying them on the tick (`grid`).

Nothing is imported here, so that a command's options cost no start-up time.
"""
