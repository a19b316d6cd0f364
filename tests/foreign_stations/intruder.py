"""Foreign signals: other transmitters that reach the coupler or the detectors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.foreign_stations.envelope import Over, power

PATHS = ("antenna", "both", "forward", "reflected")


@dataclass(frozen=True)
class Intruder:
    """One foreign signal.

    path: "antenna" comes down the feedline as a reverse wave; "both" is picked up by both
    detectors' wiring alike; "forward" and "reflected" by that of one. `offset_hz` is the distance
    from our carrier, which beats while we transmit.
    """

    start_s: float
    duration_s: float
    power_w: float = 0.3
    path: str = "antenna"
    offset_hz: float = 400.0
    mode: str = "fm"
    voice: int = 3

    @property
    def end_s(self) -> float:
        """End of the signal."""
        return self.start_s + self.duration_s

    def wave(self, n: int, fs_hz: float) -> NDArray[np.complex128]:
        """Return the wave (n,) in sqrt(W) from the start on, turning against our carrier."""
        seconds = np.arange(n) / fs_hz
        shape = Over(self.start_s, self.duration_s, self.mode, self.power_w, voice=self.voice)
        size = np.sqrt(np.maximum(power(shape, seconds, fs_hz), 0.0))
        return np.asarray(size * np.exp(2j * np.pi * (self.offset_hz * seconds + 0.1)))
