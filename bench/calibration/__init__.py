"""Calibration files: TOML text in, one packed image for the controller out."""

from bench.calibration.calibration_file import CalibrationFile
from bench.calibration.compile import compile_text, load
from bench.calibration.reader import CalibrationMistakes
from bench.calibration.rewrite import save

__all__ = ["CalibrationFile", "CalibrationMistakes", "compile_text", "load", "save"]
