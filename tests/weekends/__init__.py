"""Whole simulated weekends: known cars are run, `liftlatch next` is asked after each run, and what it said is
held against what came. `python -m tests.weekends 8` runs eight of them, each some minutes long."""
