"""Real time: steps paced to the wall clock, and how long their answers take."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


@dataclass
class Pace:
    """Sends tick n at n ticks after the first, and keeps what came of it.

    `latency_s` is the time from sending a step to its answer, `behind_s` how long after its moment it was
    sent. A step is late when its answer comes after the moment of the next one: by the device when the answer
    took longer than the step lasts, by this machine when it was sent too late for a device in time. What is
    behind is sent at once, so that a run catches up where it can.
    """

    tick_us: int
    begun: float | None = None
    late_ticks: int = 0
    device_late_ticks: int = 0
    host_late_ticks: int = 0
    latency_s: list[float] = field(default_factory=list)
    behind_s: list[float] = field(default_factory=list)

    def wait(self, start: int, now: float) -> float:
        """How long until tick `start` of the run is due."""
        if self.begun is None:
            self.begun = now - start * self.tick_us / 1e6
        return self._due(start) - now

    def _due(self, start: int) -> float:
        assert self.begun is not None
        return self.begun + start * self.tick_us / 1e6

    def answered(self, start: int, ticks: int, sent_at: float, latency_s: float) -> None:
        """Tick `start` and those sent with it were answered."""
        self.latency_s.append(latency_s)
        self.behind_s.append(sent_at - self._due(start))
        if sent_at + latency_s > self._due(start + ticks):
            self.late_ticks += ticks
            if latency_s > ticks * self.tick_us / 1e6:
                self.device_late_ticks += ticks
            else:
                self.host_late_ticks += ticks

    def facts(self) -> dict[str, float | int]:
        """Times in milliseconds; empty without an answer."""
        if not self.latency_s:
            return {}
        latency, behind = np.array(self.latency_s) * 1e3, np.array(self.behind_s) * 1e3
        return {
            "steps": len(latency),
            "latency_ms_median": float(np.median(latency)),
            "latency_ms_99": float(np.percentile(latency, 99)),
            "latency_ms_worst": float(latency.max()),
            "late_ticks": self.late_ticks,
            "device_late_ticks": self.device_late_ticks,
            "host_late_ticks": self.host_late_ticks,
            "behind_ms_at_end": float(behind[-1]),
            "send_jitter_ms_99": float(np.percentile(behind, 99)),
            "send_jitter_ms_worst": float(behind.max()),
        }
