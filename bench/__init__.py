"""The host side: calibration files, traces, replay, reports and the command line."""
