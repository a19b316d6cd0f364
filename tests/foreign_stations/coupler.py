"""Directional coupler: waves in, RF amplitudes at the two detectors out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Waves = NDArray[np.complex128]


@dataclass(frozen=True)
class Coupler:
    """Volts of RF amplitude at a detector for a wave of 1 W, and the complex leakage of each port.

    `leak_reflected` is what the reflected port takes of the forward wave, relative to its coupling
    (magnitude: 10^(-directivity/20)); `leak_forward` likewise.
    """

    forward_gain: float = 1.0
    reflected_gain: float = 1.0
    leak_forward: complex = 0.03
    leak_reflected: complex = 0.03

    def ports(
        self, forward: Waves, reverse: Waves, picked_up: tuple[Waves | float, Waves | float]
    ) -> tuple[Array, Array]:
        """Return amplitudes in V at both detectors for waves in sqrt(W), each (n,).

        `picked_up` reaches each detector past the coupler.
        """
        return (
            self.forward_gain * np.abs(forward + self.leak_forward * reverse + picked_up[0]),
            self.reflected_gain * np.abs(reverse + self.leak_reflected * forward + picked_up[1]),
        )
