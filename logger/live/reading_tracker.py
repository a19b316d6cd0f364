"""State of a live view: the newest reading, the last one with the key down, peaks."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from msgspec.structs import replace

from logger.live.reading import LiveReading

SILENT_S = 3.0  # without a line from a running daemon
PAUSE_S = 2.0  # peaks are reset after the key was up for this long


@dataclass
class Peaks:
    """Highest values since key-down, None if nothing was readable."""

    forward_w: float | None = None
    reflected_w: float | None = None
    swr: float | None = None

    def take(self, reading: LiveReading) -> None:
        """Update the peaks from a reading with the key down."""
        self.forward_w = _higher(self.forward_w, reading.peak)
        self.reflected_w = _higher(self.reflected_w, reading.reflected_w)
        self.swr = _higher(self.swr, reading.swr)


@dataclass
class ReadingTracker:
    """State of a live view, updated by `take`; times are those of a monotonic clock, seconds."""

    newest: LiveReading | None = None  # None: no reading since the daemon was connected
    keyed: LiveReading | None = None  # last reading with the key down
    keyed_s: float = -math.inf  # time of that reading
    heard_s: float = -math.inf
    pairs_s: float = -math.inf  # time of the last reading with pairs
    peaks: Peaks = field(default_factory=Peaks)

    def take(self, reading: LiveReading, now_s: float) -> None:
        """Process a reading of the feed."""
        self.heard_s = now_s
        if self.newest is None:
            self.pairs_s = now_s  # allow the first pairs time to arrive
        if reading.pairs:
            self.pairs_s = now_s
        elif self.newest is not None:  # a line that only shows that the daemon runs
            reading = replace(self.newest, alarms=reading.alarms)
        self.newest = reading
        if reading.keyed and self.pairs_s == now_s:
            if now_s - self.keyed_s > PAUSE_S:
                self.peaks = Peaks()
            self.peaks.take(reading)
            self.keyed, self.keyed_s = reading, now_s

    def silent(self, now_s: float) -> bool:
        """True if the daemon is connected but no pairs arrive."""
        return now_s - min(self.pairs_s, self.heard_s) > SILENT_S

    def lose(self) -> None:
        """Record that the daemon disconnected."""
        self.newest = None

    def clear(self) -> None:
        """Reset the peaks."""
        self.peaks = Peaks()


def _higher(a: float | None, b: float | None) -> float | None:
    return a if b is None else b if a is None else max(a, b)
