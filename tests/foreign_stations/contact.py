"""Bad contacts: when they open, for how long, and with what resistance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.foreign_stations.envelope import Over

OPEN_OHM = 1e6


@dataclass(frozen=True)
class Open:
    """One opening: `ohm` in series from `start_s` for `duration_s`.

    With `arc_hz` the contact arcs: it jumps between `ohm` and `arc_ohm` so often a second.
    """

    start_s: float
    duration_s: float
    ohm: float = OPEN_OHM
    arc_hz: float = 0.0
    arc_ohm: float = 15.0
    seed: int = 0

    def resistance(self, n: int, fs_hz: float) -> NDArray[np.float64]:
        """Return ohms (n,) from the start on; an arc is a random telegraph."""
        if not self.arc_hz:
            return np.full(n, self.ohm)
        rng = np.random.default_rng(self.seed)
        flips = np.cumsum(rng.random(n) < min(self.arc_hz / fs_hz, 1.0))
        return np.where(flips % 2 == 0, self.ohm, self.arc_ohm)


def draw_burst(
    over: Over, rng: np.random.Generator, kind: str = "open", at_s: float | None = None
) -> list[Open]:
    """Return a burst of 1 to 6 openings within the over.

    kind: "open" 10 to 200 ms; "series" the same with 20 to 500 ohm; "arc" a random telegraph;
    "key-down" the first one 50 to 100 ms after key-down; "long" 0.6 to 0.95 of a second each.
    """
    count = int(rng.integers(1, 7))
    begin = over.start_s + float(rng.uniform(0.05, 0.9)) * over.duration_s
    if kind == "key-down":
        begin = over.start_s + float(rng.uniform(0.05, 0.1))
    if at_s is not None:
        begin = at_s
    opens = []
    for _ in range(count):
        duration = float(np.exp(rng.uniform(np.log(0.01), np.log(0.2))))
        if kind == "long":
            duration = float(rng.uniform(0.6, 0.95))
        if begin + duration > over.end_s - 0.05:
            break
        ohm = float(np.exp(rng.uniform(np.log(20), np.log(500)))) if kind == "series" else OPEN_OHM
        arc_hz = float(rng.uniform(100, 800)) if kind == "arc" else 0.0
        opens.append(Open(begin, duration, ohm, arc_hz, seed=int(rng.integers(2**31))))
        begin += duration + float(np.exp(rng.uniform(np.log(0.02), np.log(1.5))))
    return opens
