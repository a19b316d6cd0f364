"""Reflection of antenna and feedline at the coupler, in weather and through a bad contact."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Waves = NDArray[np.complex128]


@dataclass(frozen=True)
class Load:
    """Sound load: reflection by channel and its wander.

    `at_middle` is the reflection at channel 20, `per_channel` its change per channel. The wind
    makes it an Ornstein-Uhlenbeck process with `wind` rms in `wind_s`; `per_degree` is the change
    per degC of outdoor temperature from 15 degC.
    """

    at_middle: complex = 0.1 + 0.05j
    per_channel: complex = 0.002
    wind: float = 0.002
    wind_s: float = 1.5
    per_degree: complex = 0.0003j
    contact_phase: float = 0.5  # rad, line between coupler and the bad contact, both ways
    source: complex = 0.1  # reflection of the keyed transmitter
    receiver: complex = 0.3  # reflection of the silent one

    def reflection(
        self,
        channel: NDArray[np.float64],
        step_s: float,
        wind: float,
        outdoor_c: float,
        rng: np.random.Generator,
    ) -> Waves:
        """Return the reflection (n,) every `step_s` on `channel` (n,); `wind` scales the wander."""
        n = len(channel)
        keep = np.exp(-step_s / self.wind_s)
        size = self.wind * wind * np.sqrt(0.5)
        kick = size * np.sqrt(1 - keep**2) * (rng.standard_normal(n) + 1j * rng.standard_normal(n))
        kick[:1] = size * (rng.standard_normal() + 1j * rng.standard_normal())
        sway = lfilter([1.0], [1.0, -keep], kick)
        rest = self.at_middle + self.per_channel * (channel - 20)
        return np.asarray(rest + self.per_degree * (outdoor_c - 15.0) + sway)


def insert_series(
    reflection: Waves, ohm: NDArray[np.float64], phase: float, picofarad: float = 2.0
) -> Waves:
    """Return the reflection (n,) with a contact of `ohm` (n,) in series, `phase` down the line.

    The open contact has a small capacitance (at 27 MHz), so it is not a perfect open.
    """
    turn = np.exp(1j * phase)
    there = reflection * turn
    admittance = 1.0 / np.maximum(ohm, 1e-9) + 2j * np.pi * 27.2e6 * picofarad * 1e-12
    z = (1.0 + there) / (1.0 - there) + 1.0 / admittance / 50.0
    return np.asarray((z - 1.0) / (z + 1.0) / turn)
