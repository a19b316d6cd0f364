"""Whether the reflection moved: each reading of the feed against those just before it.

A pure state machine. The level is the median of the last LEVEL readings with the key down. A
reading departs where it is off the level by more than CERTAIN times the noise of the reading and
the usual unrest: wind in the antenna, a hand on the cable. That is the median of what the latest
readings were off, which the moments of a bad contact do not change.
"""

from __future__ import annotations

import statistics
from collections import deque
from dataclasses import dataclass, field

from logger.live.reading import Reading
from logger.reflection import rho_of_swr

LEVEL = 10
LEAST = 5  # readings that make a level
CERTAIN = 6.0
LEAST_RHO = 0.004
UNREST = 40  # readings that tell the usual unrest: four seconds
SIGMA_PER_MAD = 1.4826
SIGMAS = 2 * 1.96  # within a 95 % interval


@dataclass
class Movement:
    """Feed it with `take`."""

    _level: deque[float] = field(default_factory=lambda: deque(maxlen=LEVEL))
    _unrest: deque[float] = field(default_factory=lambda: deque(maxlen=UNREST))
    _away: int = 0  # readings in a row that depart

    def take(self, reading: Reading) -> float | None:
        """By how much the reflection coefficient departs in a reading: 0 where it does not, None
        where nothing can be told (key up, too little power, the first half second)."""
        swr, low, high = reading.swr, reading.swr_noise_low, reading.swr_noise_high
        if not reading.keyed or swr is None or low is None or high is None:
            self._level.clear()
            self._away = 0
            return None
        value = float(rho_of_swr(swr))
        if len(self._level) < LEAST:
            self._level.append(value)
            return None
        off = value - statistics.median(self._level)
        noise = float(rho_of_swr(high) - rho_of_swr(low)) / SIGMAS
        departs = abs(off) > max(LEAST_RHO, CERTAIN * max(noise, self._usual()))
        self._unrest.append(abs(off))
        self._away = self._away + 1 if departs else 0
        if not departs or self._away > LEVEL:  # where it stays is the new level
            self._level.append(value)
        return abs(off) if departs else 0.0

    def _usual(self) -> float:
        if len(self._unrest) < LEAST:
            return 0.0
        return SIGMA_PER_MAD * statistics.median(self._unrest)
