"""What to change before the next run: the last run explained, the car fitted to the runs of its book, and
three small steps with what each is expected to do."""
