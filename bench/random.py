"""Random numbers that are the same everywhere and for ever."""

from __future__ import annotations

_MASK = (1 << 64) - 1


class Random:
    """A 64-bit linear congruential generator of which the upper 32 bits are used; seeded by any integer."""

    def __init__(self, seed: int) -> None:
        self._state = (seed * 0x9E3779B97F4A7C15 + 0x1234567) & _MASK
        for _ in range(4):
            self.whole(1)

    def whole(self, below: int) -> int:
        """A whole number from 0 to below - 1."""
        self._state = (self._state * 6364136223846793005 + 1442695040888963407) & _MASK
        return (self._state >> 32) * below >> 32

    def share(self) -> float:
        """From 0 to below 1."""
        return self.whole(1 << 30) / (1 << 30)

    def normal(self) -> float:
        """About normal, mean 0 and standard deviation 1: the sum of twelve shares less six."""
        return sum(self.whole(1 << 30) for _ in range(12)) / (1 << 30) - 6.0
