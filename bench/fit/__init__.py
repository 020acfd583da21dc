"""Fitting the model of the car to recorded runs.

measured (what a trace shows, and what was commanded in it), speed_source (whose speed it is), solve (least
squares with a prior), residuals (of the model for its parameters), fit (growing windows), spread (how well it
is known), car_text (the fitted vehicle file), facts, document and figure (what is said), files (car.toml),
command.
"""
