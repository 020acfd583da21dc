"""The serial link: frames, messages, ports and the host's side of the conversation.

frames (bytes to payloads, no I/O), protocol (payloads to messages, no I/O), line (what bytes travel over),
ports (real lines), memory (a line in virtual time), host (requests, answers, retries, the window), target (a
controller to load, start and step, wherever it runs), stepper (a controller stepped by packed records),
reading (a trace as inputs), record (what a device streams). Nothing is imported here, so that the command
line starts quickly.
"""
