"""The demo traces: invented runs of an invented car, the same bytes on every machine.

`motion` moves the car, `sensing` is what its sensors say, `logger` writes that as loggers do, `runs` tells
the stories. All of it is plain Python on floats with + - * / and square roots, which IEEE 754 defines to the
last bit, and random numbers from integers.
"""
