"""Model doubt: how far laws that the bench points admit part from the fitted law, by volts.

The law has three figures a port (coupling, n Vt, R Is). Real detectors do more: the source and the
diode resist, the ideality changes with the current, the chain from the line to the number is not
quite straight. Each of these alters the law by a known shape times a size that points of a few
powers do not tell. The product's law, fitted to the readings of such a detector, misses it by

    e(V) = h(V) (J'J)**-1 J' G - b(V)

with b(V) the alteration of ln P, G its effect on the readings of the points, J the Jacobian of the
fit and h(V) the derivatives of ln P by the fit's parameters. So an alteration that the fit can
take up (a gain, say) casts no doubt, within the points little is left of any, and outside them the
doubt grows with the distance as far as each shape takes it. The doubt is the root of the sum of
squares over all alterations of both ports, each at one standard deviation (JCGM 100:2008, 4.3.7:
evaluation of type B).
"""

from __future__ import annotations

import math

import numpy as np

from logger.blocks import Floats
from logger.calibration.detector import squared_peak_v
from logger.calibration.interpolant import Departure
from logger.calibration.least_squares import Solution
from logger.calibration.model import detect
from logger.calibration.problem import DB, IMPEDANCE_OHM, N_VT, R_IS, ZERO, C, Problem

DoubtTable = list[tuple[float, float]]
Departures = tuple[Departure | None, Departure | None]

SHAPES = 3
KNOTS_PER_DECADE = 8
LOWEST_V, HIGHEST_V = 1e-4, 20.0

# One standard deviation of each alteration, see `_alterations`.
DROP = 0.05
IDEALITY_PER_DECADE = 0.05
EXPONENT = 0.03


def model_doubt(problem: Problem, solution: Solution, departures: Departures) -> list[DoubtTable]:
    """Standard uncertainty of both ports' watts from the choice of the law: [(volts, dB)]."""
    x = solution.x
    readings, parts = problem.readings, []
    for port in (0, 1):
        above = np.maximum(readings.volts[:, port] - x[4 * port + ZERO], 0.0)
        changes = np.zeros((*readings.volts.shape, SHAPES))
        changes[:, port] = _alterations(x[4 * port : 4 * port + 4], above)
        parts.append(problem.effect(x, changes))
    moved = solution.covariance @ problem.jacobian(x).T @ np.concatenate(parts, axis=1)
    return [
        _table(x, port, moved, departure.correction if departure else [])
        for port, departure in enumerate(departures)
    ]


def _table(x: Floats, port: int, moved: Floats, correction: DoubtTable) -> DoubtTable:
    """The doubt of one port; `moved` are changes of the parameters by each alteration, (p, k)."""
    law = x[4 * port : 4 * port + 4]
    decades = math.log10(HIGHEST_V / LOWEST_V)
    volts = np.geomspace(LOWEST_V, HIGHEST_V, round(KNOTS_PER_DECADE * decades) + 1)
    watts = _watts(law, volts)
    at = detect(watts, law[C], math.exp(law[N_VT]), math.exp(law[R_IS]), IMPEDANCE_OHM)
    per_ln_watt = at.by_watt * watts
    by = np.zeros((len(volts), 4))
    by[:, C] = 1 / DB
    by[:, N_VT] = -at.by_ln_n_vt / per_ln_watt
    by[:, R_IS] = -at.by_ln_r_is / per_ln_watt
    by[:, ZERO] = -1 / per_ln_watt
    miss = by @ moved[4 * port : 4 * port + 4]
    miss[:, SHAPES * port : SHAPES * (port + 1)] -= _alterations(law, volts)
    total_db = DB * np.sqrt((miss**2).sum(axis=1))
    if correction:
        knots, db = np.log(np.array(correction).T[0]), np.array(correction).T[1]
        per_ln_volt = np.sqrt(np.mean((np.diff(db) / np.diff(knots)) ** 2))
        distance = np.abs(np.log(volts) - np.clip(np.log(volts), knots[0], knots[-1]))
        total_db = np.hypot(total_db, per_ln_volt * distance)
    return list(zip(volts.round(7).tolist(), total_db.round(4).tolist(), strict=True))


def _alterations(law: Floats, volts: Floats) -> Floats:
    """Changes of ln P at readings above the zero, (n,) -> (n, SHAPES), each at one deviation.

    drop       the peak behind source and bulk resistance r is lower by the share
               (3 pi r / R)**(2/3) / 2 where the load is R and the level high (conduction angle
               of a peak detector): 2 to 10 % for 50 ohm behind 10 to 100 kohm
    ideality   n of a diode changes with its current, by some percent a decade (recombination at
               low currents, resistance at high ones)
    exponent   volts in proportion to a power of the peak that is not quite 1
    """
    n_vt_v, r_is_v = math.exp(law[N_VT]), math.exp(law[R_IS])
    volts = np.maximum(volts, 1e-6)
    peak_v = np.sqrt(squared_peak_v(volts, n_vt_v, r_is_v))
    watts = _watts(law, volts)
    at = detect(watts, law[C], n_vt_v, r_is_v, IMPEDANCE_OHM)
    return np.stack(
        [
            2 * DROP * volts / peak_v,
            -IDEALITY_PER_DECADE
            * at.by_ln_n_vt
            / (at.by_watt * watts)
            * np.log10(1 + volts / r_is_v),
            EXPONENT * np.log1p(volts / n_vt_v),
        ],
        axis=1,
    )


def _watts(law: Floats, volts: Floats) -> Floats:
    """Watts by the law at readings above the zero, (n,) -> (n,)."""
    peak2 = squared_peak_v(volts, math.exp(law[N_VT]), math.exp(law[R_IS]))
    return np.asarray(peak2 * 10 ** (law[C] / 10) / (2 * IMPEDANCE_OHM))
