"""Tests by behaviour. Outside checks name their source beside the check."""

from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
# Real recordings are not part of the repository; tests that read them skip where they are absent.
RECORDINGS = ROOT.parent / "shared" / "recordings"
