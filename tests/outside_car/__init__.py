"""A car that does not obey the equations of bench.vehicle: parts in a multibody engine (MuJoCo), written from
what a car is made of. Nothing of bench.vehicle is used here, and bench knows nothing of it.

`parts.py` and `car.py` build and drive one, `kinds.py` names the kinds that tests use, `log.py` writes what a
logger would keep.
"""
