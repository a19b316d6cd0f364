"""Monotone interpolant for a detector law that does not fit, by cross-validation.

This module is responsible for the choice between law and interpolant. Input: readings of a port and
its law. Output: the errors of both, and a correction if it is preferred.

The interpolant is a correction in dB to the fitted law, through the points (shape-preserving cubic
pieces after Fritsch and Carlson, by scipy) over the logarithm of the volts. It is preferred only
where it predicts left-out points clearly better than the law does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from logger.blocks import Floats

LEAST_POINTS = 8  # distinct powers
BETTER = 0.5  # highest ratio of the interpolant's error to that of the law
WORTH_DB = 0.1  # smaller errors of the law need no correction
KNOTS = 33
SAME = 1.02  # volts within this factor are one point


@dataclass(frozen=True, slots=True)
class Departure:
    """Prediction errors of left-out points.

    law_db, interpolant_db  root mean square error, dB
    correction              [(volts, dB)] if the interpolant is preferred, else empty
    """

    law_db: float
    interpolant_db: float
    correction: list[tuple[float, float]]


def departure(
    volts: Floats, miss_db: Floats, leverage: Floats, law_db: Callable[[Floats], Floats]
) -> Departure | None:
    """Cross-validate one port; None if there are too few points.

    volts     readings less the zero, (n,)
    miss_db   power by the law over the true power, dB, (n,)
    leverage  of each point in the fit of the law, (n,)
    law_db    function from volts to power by the law, dB
    """
    from scipy.interpolate import PchipInterpolator

    order = np.argsort(volts)
    volts, miss_db, leverage = volts[order], miss_db[order], np.minimum(leverage[order], 0.9)
    group = np.concatenate([[0], np.cumsum(np.diff(np.log(volts)) > np.log(SAME))])
    count = np.bincount(group)
    if len(count) < LEAST_POINTS:
        return None
    x = np.bincount(group, np.log(volts)) / count
    y = np.bincount(group, -miss_db) / count
    unseen = np.bincount(group, miss_db / (1 - leverage)) / count
    inner = range(1, len(x) - 1)
    errors_db = [
        float(PchipInterpolator(np.delete(x, i), np.delete(y, i))(x[i]) - y[i]) for i in inner
    ]
    law_error_db = float(np.sqrt(np.mean(unseen[1:-1] ** 2)))
    error_db = float(np.sqrt(np.mean(np.square(errors_db))))
    correction: list[tuple[float, float]] = []
    if law_error_db > WORTH_DB and error_db < BETTER * law_error_db:
        knots = np.linspace(x[0], x[-1], KNOTS)
        values = PchipInterpolator(x, y)(knots)
        knots_v = np.exp(knots).round(6)
        if np.all(np.diff(law_db(knots_v) + values) > 0):
            correction = list(zip(knots_v.tolist(), values.round(4).tolist(), strict=True))
    return Departure(law_error_db, error_db, correction)
