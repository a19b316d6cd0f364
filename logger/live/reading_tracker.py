"""What somebody who looks on has seen: the newest reading, the last with the key down, peaks."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from msgspec.structs import replace

from logger.live.reading import LiveReading

SILENT_S = 3.0  # without a line from a daemon that is there
PAUSE_S = 2.0  # after so long with the key up, peaks begin anew


@dataclass
class Peaks:
    """The highest since the key went down, None if nothing could be read."""

    forward_w: float | None = None
    reflected_w: float | None = None
    swr: float | None = None

    def take(self, reading: LiveReading) -> None:
        """Take in a reading with the key down."""
        self.forward_w = _higher(self.forward_w, reading.peak)
        self.reflected_w = _higher(self.reflected_w, reading.reflected_w)
        self.swr = _higher(self.swr, reading.swr)


@dataclass
class ReadingTracker:
    """Feed it with `take`; times are those of an even clock, seconds."""

    newest: LiveReading | None = None  # None: nothing has come since the daemon was reached
    keyed: LiveReading | None = None  # the last with the key down
    keyed_s: float = -math.inf  # when that was
    heard_s: float = -math.inf
    pairs_s: float = -math.inf  # when pairs came last
    peaks: Peaks = field(default_factory=Peaks)

    def take(self, reading: LiveReading, now_s: float) -> None:
        """A line of the feed has come."""
        self.heard_s = now_s
        if self.newest is None:
            self.pairs_s = now_s  # they have time to come
        if reading.pairs:
            self.pairs_s = now_s
        elif self.newest is not None:  # the daemon lives, and that is all
            reading = replace(self.newest, alarms=reading.alarms)
        self.newest = reading
        if reading.keyed and self.pairs_s == now_s:
            if now_s - self.keyed_s > PAUSE_S:
                self.peaks = Peaks()
            self.peaks.take(reading)
            self.keyed, self.keyed_s = reading, now_s

    def silent(self, now_s: float) -> bool:
        """Whether the daemon is there, but no pairs are."""
        return now_s - min(self.pairs_s, self.heard_s) > SILENT_S

    def lose(self) -> None:
        """The daemon has gone."""
        self.newest = None

    def clear(self) -> None:
        """Begin peaks anew."""
        self.peaks = Peaks()


def _higher(one: float | None, other: float | None) -> float | None:
    return one if other is None else other if one is None else max(one, other)
