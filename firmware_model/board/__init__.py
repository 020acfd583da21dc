"""The firmware of the emulated board, its build, and what it may cost (budgets.md)."""
