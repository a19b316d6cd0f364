"""Model doubt: deviation of other laws that fit the bench points from the fitted law, by volts.

The law has three parameters per port (coupling, n Vt, R Is). Real detectors differ from it, and
each such alteration changes ln P by a known shape b(V) times a size t that few points hardly
determine. Fitted to the readings of a detector with alterations t, the law misses its power by

    e(V) = H(V) t,    H(V) = h(V) J+ G - b(V)

where J is the Jacobian of the fit, J+ its pseudo-inverse, G the effect of the alterations on the
residuals and h(V) the derivatives of ln P by the parameters of the fit. So an alteration that the
fit can absorb (a gain, say) causes no doubt; within the points little of any alteration remains,
and outside them the doubt grows with the distance according to its shape.

The sizes are taken as Gaussian about zero, with standard deviations from the physics of each (JCGM
100:2008, 4.3: evaluation of type B; see `_alterations`). The residuals r of the fit then show which
are likely: with R = G - J J+ G, t has the covariance S = (1 + R'R)**-1 and the mean m = -S R'r, and
the doubt is the root of the mean of e(V)**2, which is H (S + m m') H'.
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

SHAPES = 5
KNOTS_PER_DECADE = 8
LOWEST_V, HIGHEST_V = 1e-4, 20.0

# One standard deviation of each alteration, see `_alterations`.
DROP = 0.07
IDEALITY_PER_DECADE = 0.07
EXPONENT = 0.02
COMPRESSION = math.log(10) / 10 / 6
COMPENSATION = 0.2


def model_doubt(problem: Problem, solution: Solution, departures: Departures) -> list[DoubtTable]:
    """Return the standard uncertainty of each port's watts from the choice of the law."""
    x = solution.x
    readings, parts = problem.readings, []
    above_v = np.maximum(readings.volts - x[[ZERO, 4 + ZERO]], 0.0)
    top_v = above_v.max(axis=0, where=problem.used, initial=LOWEST_V)
    for port in (0, 1):
        changes = np.zeros((*readings.volts.shape, SHAPES))
        changes[:, port] = _alterations(x[4 * port : 4 * port + 4], above_v[:, port], top_v[port])
        parts.append(problem.effect(x, changes))
    effect, jacobian = np.concatenate(parts, axis=1), problem.jacobian(x)
    scale = np.maximum(np.linalg.norm(jacobian, axis=0), 1e-300)
    moved = np.linalg.lstsq(jacobian / scale, effect, rcond=1e-10)[0] / scale[:, None]
    rest = effect - jacobian @ moved
    sizes = np.linalg.inv(np.eye(2 * SHAPES) + rest.T @ rest)
    mean = sizes @ rest.T @ solution.residuals
    return [
        _table(x, port, top_v[port], moved, sizes + np.outer(mean, mean), departure)
        for port, departure in enumerate(departures)
    ]


def _table(
    x: Floats, port: int, top_v: float, moved: Floats, sizes: Floats, departure: Departure | None
) -> DoubtTable:
    """Return the doubt of one port as [(volts above the zero, dB)].

    moved  changes of the parameters by each alteration, (p, k)
    sizes  mean products of the sizes of alterations, (k, k)
    """
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
    miss[:, SHAPES * port : SHAPES * (port + 1)] -= _alterations(law, volts, top_v)
    total_db = DB * np.sqrt(np.einsum("ij,jk,ik->i", miss, sizes, miss))
    if departure is not None and departure.correction:
        # A correction is constant beyond its ends, where the true one may continue as steeply.
        knots, db = np.array(departure.correction).T
        knots = np.log(knots)
        per_ln_volt = np.sqrt(np.mean((np.diff(db) / np.diff(knots)) ** 2))
        distance = np.abs(np.log(volts) - np.clip(np.log(volts), knots[0], knots[-1]))
        total_db = np.hypot(total_db, per_ln_volt * distance)
    return list(zip(volts.round(7).tolist(), total_db.round(4).tolist(), strict=True))


def _alterations(law: Floats, volts: Floats, top_v: float) -> Floats:
    """Return changes of ln P at readings above the zero, (n,) -> (n, SHAPES), one deviation each.

    drop         the peak behind source and bulk resistance r is lower, at high levels by the
                 share (3 pi r / R)**(2/3) / 2 where the load is R (conduction angle of a peak
                 detector): 0.07 for 55 ohm behind 10 kohm
    ideality     n of a diode changes with its current, between 1 and 2 over many decades
                 (recombination at low currents, resistance at high ones): 0.07 per decade
    exponent     volts follow a power of the peak that is not exactly 1 in the linear region, as
                 with a diode's capacitance
    compression  third-order nonlinearity of core, diode or amplifier, whose 1 dB point is at six
                 times the highest power of the points
    compensation an amplifier adds the drop of a second diode, or a part of it, to the volts: most
                 detectors have none, so a fifth
    """
    n_vt_v, r_is_v = math.exp(law[N_VT]), math.exp(law[R_IS])
    volts = np.maximum(volts, 1e-6)
    watts = _watts(law, volts)
    at = detect(watts, law[C], n_vt_v, r_is_v, IMPEDANCE_OHM)
    by_ln_n_vt = at.by_ln_n_vt / (at.by_watt * watts)
    share = volts / np.sqrt(squared_peak_v(volts, n_vt_v, r_is_v))
    return np.stack(
        [
            2 * DROP * share,
            IDEALITY_PER_DECADE * by_ln_n_vt * np.log10(1 + volts / r_is_v),
            EXPONENT * np.log1p(volts / n_vt_v),
            COMPRESSION * watts / _watts(law, np.array([top_v])),
            COMPENSATION * n_vt_v * np.log1p(volts / r_is_v) / (at.by_watt * watts),
        ],
        axis=1,
    )


def _watts(law: Floats, volts: Floats) -> Floats:
    """Return the watts by the law at readings above the zero, (n,) -> (n,)."""
    peak2 = squared_peak_v(volts, math.exp(law[N_VT]), math.exp(law[R_IS]))
    return np.asarray(peak2 * 10 ** (law[C] / 10) / (2 * IMPEDANCE_OHM))
