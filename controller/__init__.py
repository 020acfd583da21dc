"""The reference controller: fixed step, integers only, no imports but its own."""

from .image import Calibration, read
from .step import Controller

__all__ = ["Calibration", "Controller", "read"]
