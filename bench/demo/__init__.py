"""The demo traces: invented runs of an invented car, the same bytes on every machine.

`drive` drives the model of the car (bench.vehicle) in closed loop with the controller, `sensing` is what its
sensors say, `form` writes that as CSV, `runs` tells the stories. What is here is plain Python on
floats with + - * / and square roots, which IEEE 754 defines to the last bit, and random numbers from
integers. The model has sines, which differ in the last place from machine to machine, as its two
formulations do all the way; the figures are rounded long before that, and a test holds both formulations to
the same bytes.
"""
