"""A series-resonant antenna behind a lossy line of 50 ohm, by the magnitude of its reflection."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logger.blocks import Floats

IMPEDANCE_OHM = 50.0


def reflection(
    frequency_khz: ArrayLike, resonance_khz: ArrayLike, resistance_ohm: ArrayLike, q: ArrayLike
) -> NDArray[np.complex128]:
    """Complex reflection coefficient at the antenna of Z = R (1 + j Q (f/f0 - f0/f)); arguments
    are broadcast."""
    frequency, resonance, resistance, q_ = (
        np.asarray(each, dtype=np.float64)
        for each in (frequency_khz, resonance_khz, resistance_ohm, q)
    )
    ratio = frequency / resonance
    z = resistance * (1 + 1j * q_ * (ratio - 1 / ratio))
    return np.asarray((z - IMPEDANCE_OHM) / (z + IMPEDANCE_OHM))


def rho(
    frequency_khz: ArrayLike,
    resonance_khz: ArrayLike,
    resistance_ohm: ArrayLike,
    q: ArrayLike,
    loss_db: ArrayLike,
) -> Floats:
    """Magnitude of the reflection coefficient at the near end of a line of matched loss `loss_db`
    (one way); arguments are broadcast."""
    size = np.abs(reflection(frequency_khz, resonance_khz, resistance_ohm, q))
    return np.asarray(size * 10 ** (-np.asarray(loss_db, dtype=np.float64) / 10))
