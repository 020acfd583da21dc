"""Faults and load: full disks, missing rights, sudden ends, jumping clocks, long and large inputs, many runs.

The short versions are tests (slow ones); the long ones run by

    python -m tests.faults --long [NAME ...]

which prints a line for each with its figures, and keeps them in results.toml.
"""
