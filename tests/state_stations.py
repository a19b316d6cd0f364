"""Invented stations of five channels whose line or antenna changes over three years.

From complex reflections at the antenna through the line to a coupler that leaks, apart from the
package.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.daily import Days
from tests.drift_stations import FIRST_DAY, YEAR, _lasting

KHZ = {1: 26965.0, 10: 27075.0, 20: 27205.0, 30: 27305.0, 40: 27405.0}
LOSS_A_YEAR, MOVE_A_YEAR = 0.3, 30.0  # dB, kHz
PLANTED = ("loss", "resonance", "both")
RESISTANCE = "resistance"  # of the antenna, which hides reflection like a line that loses


@dataclass(frozen=True)
class StateStation:
    """What the tool gets, and the truth."""

    used: list[Days]
    case: str
    loss_db_per_year: float
    resonance_khz_per_year: float


def state_station(
    rng: np.random.Generator, case: str, years: float = 3.0, moved_khz: float = 0.0
) -> StateStation:
    """A random station of a case; somebody moves the resonance in the middle of the time."""
    n = round(years * YEAR)
    year = np.arange(n) / YEAR
    losing = LOSS_A_YEAR if case in ("loss", "both") else 0.0
    moving = MOVE_A_YEAR * float(rng.choice([-1, 1])) if case in ("resonance", "both") else 0.0
    wave = np.sin(2 * np.pi * (year + rng.uniform()))
    resonance = 27185 + rng.uniform(-150, 150) + moving * (year - years / 2)
    resonance = resonance + rng.uniform(5, 25) * wave + moved_khz * (year >= years / 2)
    loss_db = rng.uniform(0.2, 1.2) + losing * year + rng.uniform(0, 0.05) * (1 + wave)
    ohm, q = np.full(n, rng.uniform(30, 75)), float(rng.uniform(10, 30))
    if case == RESISTANCE:
        ohm = ohm * np.exp(0.12 * float(rng.choice([-1, 1])) * year)
    leak = 10 ** (-25 / 20) * np.sqrt(rng.uniform(0, 1)) * np.exp(2j * np.pi * rng.uniform())
    delay_ns = rng.uniform(30, 300)
    noise = float(rng.uniform(0.02, 0.04))
    common = _lasting(rng, n, noise * 0.3, 0.6)  # weather does the same to all channels
    used = []
    for channel, khz in KHZ.items():
        away = 2 * q * (khz - resonance) / resonance  # the usual approximation near resonance
        at_antenna = (ohm * (1 + 1j * away) - 50) / (ohm * (1 + 1j * away) + 50)
        turn = np.exp(-2j * np.pi * khz * 1e3 * delay_ns * 1e-9)
        size = np.abs(at_antenna * turn * 10 ** (-2 * loss_db / 20) + leak)
        swr = (1 + size) / (1 - size) + common + _lasting(rng, n, noise * 0.95, 0.6)
        kept = rng.random(n) < rng.uniform(0.4, 0.9)
        for _ in range(3):
            begin = int(rng.integers(0, n - 30))
            kept[begin : begin + int(rng.integers(7, 30))] = False
        count = int(kept.sum())
        used.append(
            Days(
                channel,
                None,
                np.flatnonzero(kept) + FIRST_DAY,
                np.maximum(swr[kept], 1.01),
                np.full(count, 0.02),
                np.full(count, 10),
                np.full(count, 4.0),
                np.ones(count, dtype=np.int64),
            )
        )
    return StateStation(used, case, losing, moving)
