"""A start for a new car: some questions, and a folder with a calibration and a file of the car.

`questions` says what is asked and where the answer is read or measured, `placing` works out what follows
from the answers, `files` writes both with a word beside every number: measured, computed from what, or
guessed.
"""
