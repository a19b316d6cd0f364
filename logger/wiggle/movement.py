"""Detects movement of the reflection: compares each reading of the feed with those before it.

A pure state machine. The level is the median of the last LEVEL readings with the key down. A
reading departs if it is off the level by more than CERTAIN times the usual noise or the
usual unrest, whichever is greater: wind in the antenna, a hand on the cable. The unrest is the
median deviation of the latest readings, which short excursions of a bad contact do not change.
"""

from __future__ import annotations

import statistics
from collections import deque
from dataclasses import dataclass, field

from logger.live.reading import LiveReading
from logger.physics.reflection import rho_of_swr

LEVEL = 10
LEAST = 5  # readings needed for a level
CERTAIN = 6.0
LEAST_RHO = 0.004
UNREST = 40  # readings for the usual unrest: four seconds
SIGMA_PER_MAD = 1.4826
SIGMAS = 2 * 1.96  # width of a 95 % interval


@dataclass
class Movement:
    """Movement detector; call `take` for each reading."""

    _level: deque[float] = field(default_factory=lambda: deque(maxlen=LEVEL))
    _noise: deque[float] = field(default_factory=lambda: deque(maxlen=UNREST))
    _unrest: deque[float] = field(default_factory=lambda: deque(maxlen=UNREST))
    _away: int = 0  # consecutive departing readings
    _held: tuple[float, float] | None = None  # reflection coefficient and noise of the last reading

    def take(self, reading: LiveReading) -> float | None:
        """Return the departure of the reflection coefficient in the reading before this one.

        0 if it does not depart, None if that cannot be judged (key up, too little power, the edges
        of a key-down).
        """
        held, self._held = self._held, _figures(reading)
        if self._held is None:  # the previous reading was at the end of the key-down
            self._level.clear()
            self._away = 0
            return None
        return None if held is None else self._judge(*held)

    def _judge(self, value: float, noise: float) -> float | None:
        if len(self._level) < LEAST:
            self._level.append(value)
            return None
        off = value - statistics.median(self._level)
        self._noise.append(noise)  # large for a reading with an excursion in it
        usual = max(statistics.median(self._noise), self._wind())
        departs = abs(off) > max(LEAST_RHO, CERTAIN * usual)
        self._unrest.append(abs(off))
        self._away = self._away + 1 if departs else 0
        if not departs or self._away > LEVEL:  # after a lasting change, this is the new level
            self._level.append(value)
        return abs(off) if departs else 0.0

    def _wind(self) -> float:
        if len(self._unrest) < LEAST:
            return 0.0
        return SIGMA_PER_MAD * statistics.median(self._unrest)


def _figures(reading: LiveReading) -> tuple[float, float] | None:
    swr, low, high = reading.swr, reading.swr_noise_low, reading.swr_noise_high
    if not reading.keyed or swr is None or low is None or high is None:
        return None
    return float(rho_of_swr(swr)), float(rho_of_swr(high) - rho_of_swr(low)) / SIGMAS
