"""Benchmarks; each prints a table of ratios measured in one run: `python -m bench.benchmarks.NAME`."""
