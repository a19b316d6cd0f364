"""Types, and draws that the other modules share."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Waves = NDArray[np.complex128]
Random = np.random.Generator
DAY_S = 86_400.0
YEAR_DAYS = 365.25


def draw_ar1(rng: Random, n: int, memory: float) -> Floats:
    """Draw a stationary first-order process (n,) of variance 1."""
    shocks = np.sqrt(1 - memory**2) * rng.standard_normal(n)
    shocks[:1] /= np.sqrt(1 - memory**2)
    return np.asarray(lfilter([1.0], [1, -memory], shocks))


def log_uniform(rng: Random, least: float, most: float) -> float:
    """Draw a number whose logarithm is uniform."""
    return float(np.exp(rng.uniform(np.log(least), np.log(most))))
