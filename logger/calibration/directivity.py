"""Directivity behind an imperfect dummy load.

On a load that reflects G a port with the leak D hears |D + G|, so that one load cannot tell a leak
from its own reflection: a coupler trimmed on it is as good as the load. This module is responsible
for what the readings of the bench say of |D|. Input: the measured leaks with the loads behind them.
Output: the size of D, by Monte Carlo (JCGM 101:2008) from these distributions, phases uniform:

- D: half of all couplers are trimmed on their load, to 45 to 60 dB there; |D|**0.75 of the others
  is uniform up to -10 dB, which is more cautious than uniform in dB: with that, intervals of
  couplers of 20 to 25 dB hold in 86 % only (`tests.bench.imperfect` draws such);
- dummy loads: the stated return loss, or 6 dB worse to 14 dB better than typical, uniform in dB;
- resistors: within 2 % of their value, with reactance of the same size; two loads in parallel
  reflect what both make of it;
- a line in front of the load: 2 degrees, and a reflection of its own of 0.01.
(From memory, common practice.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.blocks import Floats
from logger.calibration.file import Assumptions

SAMPLES = 60_000
SEED = 20  # fixed: the same points give the same file
TRIMMED_SHARE, TRIMMED_DB = 0.5, (45.0, 60.0)
EVEN_POWER, MOST_LEAK = 0.75, 10 ** (-10 / 20)
UNSTATED_DB = (-6.0, 14.0)
RESISTOR = 0.02
LINE_DEG, LINE_GAMMA = 2.0, 0.01
OHM = 50.0
PARALLEL_OHM = 25.0  # two dummy loads in parallel
LEAST_SAMPLES = 400  # effective ones; with fewer the readings are taken as less exact
LEAST_LEAK2 = 1e-7

Complexes = NDArray[np.complex128]


class Load(NamedTuple):
    """What was on the antenna port: a dummy load by name, perhaps behind a line, or a resistor."""

    name: str = ""
    line_deg: float = 0.0
    ohm: float | None = None

    @property
    def gamma(self) -> float:
        """Nominal reflection."""
        return 0.0 if self.ohm is None else (self.ohm - OHM) / (self.ohm + OHM)


class LeakReading(NamedTuple):
    """Squared reflection that a port read on a load, with its standard uncertainty."""

    load: Load
    leak2: float
    u: float


class Separation(NamedTuple):
    """Size of a leak apart from that of the load.

    leak2      mean square of the leak
    known      share of it whose size is known; the rest acts as a Gaussian. Both follow from the
               second and fourth cumulant of the leak's part in phase with a reflection (Willink,
               Metrologia 42, 2005: evaluation by moments)
    worst_db   directivity exceeded with 95 % probability; best_db, with 5 %
    """

    leak2: float
    known: float
    worst_db: float
    best_db: float


def separate(readings: Sequence[LeakReading], assumptions: Assumptions) -> Separation:
    """Return what readings of one port, the first on the usual dummy load, say of its leak."""
    rng = np.random.default_rng(SEED)
    names = list(dict.fromkeys(reading.load.name for reading in readings))
    is_stated = "load_return_loss_db" in assumptions.stated
    spread_db = (0.0, 0.0) if is_stated else UNSTATED_DB
    loads = {
        name: _turned(rng, assumptions.load_return_loss_db + rng.uniform(*spread_db, SAMPLES))
        for name in names
    }
    other = _turned(rng, assumptions.load_return_loss_db + rng.uniform(*spread_db, SAMPLES))
    size = MOST_LEAK * rng.uniform(1e-3, 1, SAMPLES) ** (1 / EVEN_POWER)
    leak = _turned(rng, -20 * np.log10(size))
    trimmed = rng.random(SAMPLES) < TRIMMED_SHARE
    rest = _turned(rng, rng.uniform(*TRIMMED_DB, SAMPLES))
    leak = np.where(trimmed, rest - loads[names[0]], leak)
    match = _turned(rng, np.full(SAMPLES, assumptions.test_port_match_db))
    distance = np.zeros(SAMPLES)
    for reading in readings:
        gamma = _reflection(rng, reading.load, loads[reading.load.name], other)
        heard2 = np.abs(leak + gamma / (1 - match * gamma)) ** 2
        u = reading.u
        if reading.load.line_deg:  # its own reflection adds to the magnitude
            u = math.hypot(u, 2 * math.sqrt(max(reading.leak2, 0.0)) * LINE_GAMMA, LINE_GAMMA**2)
        distance += ((heard2 - reading.leak2) / u) ** 2
    weights = _weights(distance)
    size2 = np.abs(leak) ** 2
    leak2 = float(weights @ size2)
    cumulant = 3 / 8 * float(weights @ size2**2) - 3 / 4 * leak2**2
    known = math.sqrt(max(-8 / 3 * cumulant, 0.0))
    order = np.argsort(size2)
    best2, worst2 = np.interp((0.05, 0.95), np.cumsum(weights[order]), size2[order])
    return Separation(
        max(leak2, LEAST_LEAK2),
        min(known / max(leak2, LEAST_LEAK2), 1.0),
        *(-10 * math.log10(max(value, LEAST_LEAK2)) for value in (worst2, best2)),
    )


def _turned(rng: np.random.Generator, db: Floats) -> Complexes:
    phase = rng.uniform(0, 2 * math.pi, len(db))
    return np.asarray(10 ** (-db / 20) * np.exp(1j * phase))


def _reflection(
    rng: np.random.Generator, load: Load, dummy: Complexes, other: Complexes
) -> Complexes:
    """Return samples of the reflection of a load, whose dummy load reflects `dummy`."""
    if load.ohm is None:
        gamma = dummy
    elif load.ohm == PARALLEL_OHM:  # admittances add
        admittance = (1 - dummy) / (1 + dummy) + (1 - other) / (1 + other)
        gamma = (1 - admittance) / (1 + admittance) + load.gamma + 1 / 3
    else:
        error = rng.standard_normal((2, SAMPLES)) * RESISTOR
        relative = load.ohm / OHM * (1 + error[0] + 1j * error[1])
        gamma = (relative - 1) / (relative + 1)
    if load.line_deg:
        degrees = load.line_deg + LINE_DEG * rng.standard_normal(SAMPLES)
        gamma = gamma * np.exp(-2j * np.radians(degrees))
    return np.asarray(gamma)


def _weights(distance: Floats) -> Floats:
    """Return normalised weights of samples at squared distances in standard deviations.

    The distances shrink until enough samples count.
    """
    nearest = distance - distance.min()
    while True:
        weights = np.exp(-nearest / 2)
        weights /= weights.sum()
        if (weights**2).sum() < 1 / LEAST_SAMPLES:
            return np.asarray(weights)
        nearest = nearest / 2
