"""A height sensor, measured: see README.md.

`recording` takes the readings from a trace and finds where the height stands, `measured` works out noise,
period, movement and what a sensor that sees nothing reads, `curve` fits the sensor's curve, `keys` says what
follows for the calibration.
"""
