"""What a coupler with diode detectors reads at the bench, as a function of its parameters.

The law and its source are those of `logger.calibration.detector`; here it is solved for the volts,
in closed form by the Wright omega function, as a fit wants it. Needs scipy.
"""

from __future__ import annotations

import numpy as np

from logger.blocks import Floats

SMALL = 1e-3  # ln I0(x) is x**2 / 4 to 1e-7 below it


def detector(
    watts: Floats,
    coupling_db: Floats | float,
    n_vt_v: Floats | float,
    r_is_v: Floats | float,
    impedance_ohm: float,
) -> tuple[Floats, Floats]:
    """Volts without the zero, and their derivative by the logarithm of the power; each (n,).

    Negative watts, which a fit may try, give negative volts.
    """
    from scipy.special import i0e, i1e, wrightomega

    peak_v = np.sqrt(2 * impedance_ohm * np.abs(watts)) * 10 ** (-coupling_db / 20)
    x = peak_v / n_vt_v
    level = np.where(x < SMALL, x**2 / 4, x + np.log(i0e(x)))
    ratio = r_is_v / n_vt_v
    volts = n_vt_v * wrightomega(level + ratio + np.log(ratio)) - r_is_v
    per_level = 1 / (1 / n_vt_v + 1 / (r_is_v + volts))
    slope = per_level * x * i1e(x) / i0e(x) / 2
    return np.sign(watts) * volts, slope
