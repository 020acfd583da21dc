"""A nose to lift by hand, and what the controller does: see README.md."""
