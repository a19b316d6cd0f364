"""What a fit may expect of detectors and bench before it has seen a point.

This module is responsible for the priors of the diode law by detector type, and for how far a load
and the coupler's antenna port disturb open and short. Input: the assumptions of the calibration.
Output: values with standard deviations, used where the points do not determine the law: with one
power or two nothing else does.

Diodes, from memory, common practice, unless a source is named: germanium point contacts Is 0.3 to
5 uA, n 1.0 to 1.4; Schottky diodes from 22 nA, n 1.08 (low barrier, published SPICE table) to
3 uA, n 1.06 (zero bias), small-signal types down to some nA; silicon junctions 1 to 10 nA, n 1.6 to
2.0. Loads are 10 to 470 kohm.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from logger.calibration.file import Assumptions

VT_V = 0.02535  # kT/q at 21 degrees
LOAD_OHM = (70e3, 0.9)  # centre, standard deviation of its logarithm


class Expectation(NamedTuple):
    """Priors: (value, standard deviation).

    ln_n_vt     logarithm of n Vt in volts; ln_r_is, of R Is in volts
    aligned_sd  standard deviations of what open and short add to the leak in phase, both ports
    """

    ln_n_vt: tuple[float, float]
    ln_r_is: tuple[float, float]
    aligned_sd: tuple[float, float] = (0.0, 0.0)


# n from 1 to 2.5 at room temperature; R Is from microvolts to volts.
BROAD = Expectation((math.log(0.030), 0.4), (math.log(3e-3), 4.0))


def _diode(n: float, n_sd: float, is_a: float, is_sd: float) -> Expectation:
    """Return the expectation of a diode; the deviations are of logarithms."""
    load_ohm, load_sd = LOAD_OHM
    return Expectation(
        (math.log(n * VT_V), n_sd), (math.log(is_a * load_ohm), math.hypot(is_sd, load_sd))
    )


DETECTORS = {
    "germanium": _diode(1.2, 0.10, 1.2e-6, 0.9),
    "schottky": _diode(1.09, 0.05, 1.2e-7, 2.0),
    "silicon": _diode(1.8, 0.07, 3.2e-9, 0.8),
    "unknown": BROAD,
}


def expect(assumptions: Assumptions | None) -> Expectation:
    """Return what a fit may expect; without assumptions of ideal loads and ports."""
    if assumptions is None:
        return BROAD
    load2, match2 = (
        10 ** (-db / 10) for db in (assumptions.load_return_loss_db, assumptions.test_port_match_db)
    )
    return DETECTORS[assumptions.detector]._replace(
        aligned_sd=(math.sqrt(load2 / 2), math.sqrt((load2 + match2) / 2))
    )
