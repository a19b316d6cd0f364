"""Detector law with derivatives, for the fit.

The law and its source are those of `logger.calibration.detector`; here it is solved for the volts,
in closed form by the Wright omega function. Input: watts or volts and the constants of a law.
Output: readings with their derivatives, or watts. Needs scipy.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from logger.blocks import Floats
from logger.calibration.detector import squared_peak_v

IMPEDANCE_OHM = 50.0
SMALL = 1e-3  # ln I0(x) is x**2 / 4 to 1e-7 below it


class Detected(NamedTuple):
    """Volts without the zero, and their derivatives; each (n,)."""

    volts: Floats
    by_watt: Floats
    by_ln_n_vt: Floats
    by_ln_r_is: Floats


class Law(NamedTuple):
    """Constants of one port's detector law; readings here are without the zero."""

    coupling_db: float
    n_vt_v: float
    r_is_v: float
    zero_v: float

    def detect(self, watts: Floats) -> Detected:
        """Return the readings of `watts`, (n,)."""
        return detect(watts, self.coupling_db, self.n_vt_v, self.r_is_v, IMPEDANCE_OHM)

    def peak2(self, volts: Floats) -> Floats:
        """Return the squared peak volts at readings >= 0, (n,) -> (n,)."""
        return squared_peak_v(volts, self.n_vt_v, self.r_is_v)

    def watts(self, volts: Floats) -> Floats:
        """Return the watts of readings >= 0, (n,) -> (n,)."""
        return np.asarray(self.peak2(volts) * 10 ** (self.coupling_db / 10) / (2 * IMPEDANCE_OHM))


def detect(
    watts: Floats,
    coupling_db: Floats | float,
    n_vt_v: Floats | float,
    r_is_v: Floats | float,
    impedance_ohm: float,
) -> Detected:
    """Return the reading of a port that receives `watts` (n,).

    Negative watts, which a fit may try, give negative volts.
    """
    from scipy.special import i0e, i1e, wrightomega

    peak2_per_watt = 2 * impedance_ohm * 10 ** (-np.asarray(coupling_db) / 10)
    size = np.abs(watts)
    x = np.sqrt(peak2_per_watt * size) / n_vt_v
    bessel = i0e(x)
    level = np.where(x < SMALL, x**2 / 4, x + np.log(bessel))
    ratio = r_is_v / n_vt_v
    volts = n_vt_v * wrightomega(level + ratio + np.log(ratio)) - r_is_v
    by_level = 1 / (1 / n_vt_v + 1 / (r_is_v + volts))
    x_by_level = x * i1e(x) / bessel  # x times the derivative of the level by x
    by_watt = by_level * np.where(
        x < SMALL, peak2_per_watt / (4 * n_vt_v**2), x_by_level / (2 * np.maximum(size, 1e-300))
    )
    sign = np.sign(watts)
    return Detected(
        sign * volts,
        by_watt,
        sign * by_level * (volts / n_vt_v - x_by_level),
        sign * by_level * volts / (r_is_v + volts),
    )
