"""The box that plays runs to a controller that runs by itself: its firmware (probe.c), and one on a PC."""
