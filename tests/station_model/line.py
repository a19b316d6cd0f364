"""Antenna, line and plug as complex reflection coefficients in a system of 50 ohm.

Antenna: series RLC, Z = R (1 + j Q (f/f0 - f0/f)). Line: real characteristic impedance, so that
the reflection of its far end comes back smaller by twice the matched loss and turned by twice the
electrical length. Plug: an impedance in series with the line, or a strand across it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Complex = NDArray[np.complex128]

IMPEDANCE_OHM = 50.0
LIGHT_M_PER_S = 299_792_458.0
M_PER_100_FT = 30.48

# dB per 100 ft = k1 sqrt(MHz) + k2 MHz (tests/references/coax_k1_k2.csv, widest range), and the
# velocity factor (data sheets, nominal).
CABLES = {
    "RG-58": (0.42559, 0.009642, 0.66),
    "RG-8X": (0.28629, 0.002204, 0.80),
    "RG-213": (0.16290, 0.002748, 0.66),
}


@dataclass(frozen=True)
class Antenna:
    """A series RLC."""

    r_ohm: float
    q: float
    f0_khz: float

    def gamma(self, khz: float, shift_khz: float = 0.0, ohm_factor: float = 1.0) -> complex:
        """Reflection coefficient; `shift_khz` moves the resonance."""
        ratio = khz / (self.f0_khz + shift_khz)
        z = self.r_ohm * ohm_factor * (1 + 1j * self.q * (ratio - 1 / ratio))
        return (z - IMPEDANCE_OHM) / (z + IMPEDANCE_OHM)


@dataclass(frozen=True)
class Line:
    """A coaxial line."""

    cable: str
    length_m: float

    def loss_db(self, khz: float) -> float:
        """Matched loss one way."""
        k1, k2, _ = CABLES[self.cable]
        mhz = khz / 1e3
        return (k1 * math.sqrt(mhz) + k2 * mhz) * self.length_m / M_PER_100_FT

    def there_and_back(self, khz: float, extra_db: float = 0.0) -> complex:
        """What the far end's reflection coefficient is multiplied by at the near end."""
        velocity = CABLES[self.cable][2] * LIGHT_M_PER_S
        turn = 4 * math.pi * khz * 1e3 * self.length_m / velocity
        size = 10 ** (-2 * (self.loss_db(khz) + extra_db) / 20)
        return complex(size * math.cos(turn), -size * math.sin(turn))


def series(gamma: ArrayLike, ohm: ArrayLike) -> Complex:
    """Reflection coefficient of `gamma` behind an impedance in series, (n,)."""
    gamma, z = np.asarray(gamma), np.asarray(ohm) / IMPEDANCE_OHM
    through = z * (1 - gamma)
    return np.asarray((2 * gamma + through) / (2 + through))


def parallel(gamma: ArrayLike, siemens: ArrayLike) -> Complex:
    """Reflection coefficient of `gamma` with an admittance across it, (n,)."""
    gamma, y = np.asarray(gamma), np.asarray(siemens) * IMPEDANCE_OHM
    across = y * (1 + gamma)
    return np.asarray((2 * gamma - across) / (2 + across))
