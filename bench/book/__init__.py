"""The book of a car: every run with its log, its calibration, its air, its time slip and what came of it."""
