"""Fitting the model of the car to recorded runs.

measured (what a trace shows, and what the controller commanded in it), solve (least squares with a prior),
residuals (of the model for its parameters), fit (growing windows), spread (what is known and how well), car_text
(the fitted vehicle file), facts, document and figure (what is said), files (car.toml), command.
"""
