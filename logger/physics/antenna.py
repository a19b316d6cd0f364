"""Reflection of a series-resonant antenna at the end of a lossy line of 50 ohm."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logger.blocks import Floats

IMPEDANCE_OHM = 50.0


def reflection(
    frequency_khz: ArrayLike, resonance_khz: ArrayLike, resistance_ohm: ArrayLike, q: ArrayLike
) -> NDArray[np.complex128]:
    """Return the complex reflection coefficient at the antenna; arguments are broadcast.

    Its impedance is Z = R (1 + j Q (f/f0 - f0/f)).
    """
    ratio = np.asarray(frequency_khz, dtype=np.float64) / np.asarray(resonance_khz)
    z = np.asarray(resistance_ohm) * (1 + 1j * np.asarray(q) * (ratio - 1 / ratio))
    return np.asarray((z - IMPEDANCE_OHM) / (z + IMPEDANCE_OHM))


def rho(
    frequency_khz: ArrayLike,
    resonance_khz: ArrayLike,
    resistance_ohm: ArrayLike,
    q: ArrayLike,
    loss_db: ArrayLike,
) -> Floats:
    """Return the magnitude of the reflection coefficient at the near end of a line.

    `loss_db` is its one-way matched loss; arguments are broadcast.
    """
    size = np.abs(reflection(frequency_khz, resonance_khz, resistance_ohm, q))
    return np.asarray(size * 10 ** (-np.asarray(loss_db, dtype=np.float64) / 10))
