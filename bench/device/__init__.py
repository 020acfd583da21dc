"""A model of the microcontroller at the other end of the line, with named misbehaviours for trying out a
bench.

simulated (the device's side of the protocol, no I/O), bugs (controllers with a named bug), faults (what a bad
line does), behaviour (device and faults over time), serve (as a process), emulated (the firmware on an
emulated board), command (the command line). Nothing is imported here, so that the command line starts
quickly.
"""
