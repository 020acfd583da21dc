"""What a bad line does to frames, by name, at a rate, from a seed."""

from __future__ import annotations

import random

from bench.errors import UserError
from bench.link.frames import END

FAULTS = {
    "drop": "the frame is lost",
    "flip": "one bit of it is turned over",
    "duplicate": "it arrives twice",
    "split": "it arrives in pieces, some milliseconds apart",
    "delay": "it arrives up to 50 ms late, and what follows waits",
    "stall": "it arrives 1 to 2 s late, and what follows waits",
    "garbage": "random bytes arrive before it",
}
"""Name -> what happens to a frame."""

_LONGEST_FRAME = 1 << 16


class LineFaults:
    """One way of a bad line.

    `rates` says for each name of FAULTS how many frames of one meet it (0 to 1). Equal seeds and equal bytes
    give equal faults. Bytes never overtake one another.
    """

    def __init__(self, rates: dict[str, float], seed: str) -> None:
        self._rates = [(name, rates[name]) for name in FAULTS if rates.get(name, 0) > 0]
        self._random = random.Random(seed)
        self._kept = bytearray()
        self._last = 0.0

    def pass_on(self, data: bytes, now: float) -> list[tuple[float, bytes]]:
        """What arrives of some bytes sent now, and when."""
        if not self._rates:
            return [(now, data)]
        arriving: list[tuple[float, bytes]] = []
        self._kept += data
        while (end := self._kept.find(END)) >= 0:
            frame = bytes(self._kept[: end + 1])
            del self._kept[: end + 1]
            if len(frame) == 1:
                arriving.append((self._at(now), frame))
            else:
                arriving += self._harmed(frame, now)
        if len(self._kept) > _LONGEST_FRAME:
            arriving.append((self._at(now), bytes(self._kept)))
            self._kept.clear()
        return arriving

    def _at(self, moment: float) -> float:
        self._last = max(self._last, moment)
        return self._last

    def _harmed(self, frame: bytes, now: float) -> list[tuple[float, bytes]]:
        rng = self._random
        met = {name for name, rate in self._rates if rng.random() < rate}
        if not met:
            return [(self._at(now), frame)]
        if "drop" in met:
            return []
        if "flip" in met:
            harmed = bytearray(frame)
            harmed[rng.randrange(len(frame))] ^= 1 << rng.randrange(8)
            frame = bytes(harmed)
        if "garbage" in met:
            frame = rng.randbytes(rng.randint(1, 40)) + frame
        if "stall" in met:
            now += rng.uniform(1.0, 2.0)
        elif "delay" in met:
            now += rng.uniform(0.0, 0.05)
        copies = [frame, frame] if "duplicate" in met else [frame]
        if "split" not in met:
            return [(self._at(now), copy) for copy in copies]
        arriving = []
        for copy in copies:
            at = 0
            while at < len(copy):
                size = rng.randint(1, len(copy) - at)
                arriving.append((self._at(now), copy[at : at + size]))
                at += size
                now += rng.uniform(0.001, 0.005)
        return arriving


def parse_faults(given: tuple[str, ...]) -> dict[str, float]:
    """Rates from NAME=RATE texts. Raises UserError for what is none."""
    rates: dict[str, float] = {}
    for text in given:
        name, _, number = text.partition("=")
        where = f"--fault {text}"
        if name not in FAULTS:
            raise UserError("no such fault", where, f"there are {', '.join(FAULTS)}")
        try:
            rate = float(number) if number else 0.01
        except ValueError:
            rate = -1.0
        if not 0 <= rate <= 1:
            raise UserError("the rate is no share", where, "give frames of one, for example drop=0.01")
        rates[name] = rate
    return rates
