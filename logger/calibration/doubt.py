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
from logger.calibration.interpolant import Departure
from logger.calibration.least_squares import Solution
from logger.calibration.model import Law
from logger.calibration.parameters import Layout
from logger.calibration.problem import DB, Problem

DoubtTable = list[tuple[float, float]]
Departures = tuple[Departure | None, Departure | None]

SHAPES = 5
LOWEST_V, HIGHEST_V, KNOTS = 1e-4, 20.0, 43  # 8 per decade

# One standard deviation of each alteration, see `_alterations`.
DROP = 0.07
IDEALITY_PER_DECADE = 0.07
EXPONENT = 0.02
COMPRESSION = math.log(10) / 10 / 6
COMPENSATION = 0.2


def estimate_doubt(
    problem: Problem, solution: Solution, departures: Departures
) -> list[DoubtTable]:
    """Return the standard uncertainty of each port's watts from the choice of the law."""
    x, readings, layout = solution.x, problem.readings, problem.layout
    values = layout.view(x)
    above_v = np.maximum(readings.volts - values.zero_v, 0.0)
    top_v = above_v.max(axis=0, where=problem.used, initial=LOWEST_V)
    if not problem.full_wave(1).any():  # assumed to equal the other port, its highest power too
        top_v[1] = top_v.max()
    effects = []
    for port in (0, 1):
        changes = np.zeros((*readings.volts.shape, SHAPES))
        changes[:, port] = _alterations(values.law(port), above_v[:, port], top_v[port])
        effects.append(problem.effect(x, changes))
    effect, jacobian = np.concatenate(effects, axis=1), problem.jacobian(x)
    scale = np.maximum(np.linalg.norm(jacobian, axis=0), 1e-300)
    shifts = np.linalg.lstsq(jacobian / scale, effect, rcond=1e-10)[0] / scale[:, None]
    rest = effect - jacobian @ shifts
    sizes = np.linalg.inv(np.eye(2 * SHAPES) + rest.T @ rest)
    mean = sizes @ rest.T @ solution.residuals
    sizes = sizes + np.outer(mean, mean)
    tables = []
    volts = np.geomspace(LOWEST_V, HIGHEST_V, KNOTS)
    for port, departure in enumerate(departures):
        law = values.law(port)
        miss = _ln_watt_by_parameters(layout, port, law, volts) @ shifts
        own = slice(SHAPES * port, SHAPES * (port + 1))
        miss[:, own] -= _alterations(law, volts, top_v[port])
        total_db = DB * np.sqrt(np.einsum("ij,jk,ik->i", miss, sizes, miss))
        if departure is not None and departure.correction:
            total_db = np.hypot(total_db, _extrapolation_db(departure, volts))
        tables.append(list(zip(volts.round(7).tolist(), total_db.round(4).tolist(), strict=True)))
    return tables


def _ln_watt_by_parameters(layout: Layout, port: int, law: Law, volts: Floats) -> Floats:
    """Return the derivatives of ln P at readings (n,) above the zero, (n, p)."""
    watts = law.watts(volts)
    detected = law.detect(watts)
    per_ln_watt = detected.by_watt * watts
    derivatives = np.zeros((len(volts), layout.size))
    by = layout.view(derivatives)
    by.coupling_db[:, port] = 1 / DB
    by.ln_n_vt[:, port] = -detected.by_ln_n_vt / per_ln_watt
    by.ln_r_is[:, port] = -detected.by_ln_r_is / per_ln_watt
    by.zero_v[:, port] = -1 / per_ln_watt
    return derivatives


def _extrapolation_db(departure: Departure, volts: Floats) -> Floats:
    """Return the uncertainty of a correction beyond its ends, (n,).

    There it is constant, while the true one may continue as steeply.
    """
    knots, db = np.array(departure.correction).T
    knots = np.log(knots)
    per_ln_volt = np.sqrt(np.mean((np.diff(db) / np.diff(knots)) ** 2))
    distance = np.abs(np.log(volts) - np.clip(np.log(volts), knots[0], knots[-1]))
    return np.asarray(per_ln_volt * distance)


def _alterations(law: Law, volts: Floats, top_v: float) -> Floats:
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
    volts = np.maximum(volts, 1e-6)
    watts = law.watts(volts)
    detected = law.detect(watts)
    per_ln_watt = detected.by_watt * watts
    share = volts / np.sqrt(law.peak2(volts))
    return np.stack(
        [
            2 * DROP * share,
            IDEALITY_PER_DECADE
            * (detected.by_ln_n_vt / per_ln_watt)
            * np.log10(1 + volts / law.r_is_v),
            EXPONENT * np.log1p(volts / law.n_vt_v),
            COMPRESSION * watts / law.watts(np.array([top_v])),
            COMPENSATION * law.n_vt_v * np.log1p(volts / law.r_is_v) / per_ln_watt,
        ],
        axis=1,
    )
