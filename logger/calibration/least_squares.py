"""Nonlinear least squares, plain or robust, by scipy.

This module is responsible for the settings of the solver and for the covariance. Input: residuals,
as a function of the parameters, divided by their standard deviations. Output: the solution. So the
covariance is the inverse of J'J, and the sum of squares a chi-square.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from logger.blocks import Floats

LIMIT = 1e100  # replaces values of a trial point that overflow
TIGHT = 1e-12
MOST_STEPS = 20_000
ROBUST_STEPS = 500  # a model that does not fit may never converge


@dataclass(frozen=True, slots=True)
class Solution:
    """Minimum of the sum of squares.

    x           parameters, (p,)
    covariance  of the parameters, (p, p); infinite directions are cut off by the pseudo-inverse
    residuals   at x, (n,)
    leverage    diagonal of the hat matrix, (n,): influence of each datum on its own residual
    """

    x: Floats
    covariance: Floats
    residuals: Floats
    leverage: Floats


def solve(
    residuals: Callable[[Floats], Floats],
    start: Floats,
    *,
    jacobian: Callable[[Floats], Floats] | None = None,
    robust: bool = False,
) -> Solution:
    """Minimise the sum of squares, or with `robust` that of soft absolute values.

    residuals  (p,) -> (n,), in standard deviations
    start      (p,); sizes of its elements are the scale of first steps
    jacobian   (p,) -> (n, p), otherwise by differences
    """
    from scipy.optimize import least_squares

    def bounded(x: Floats) -> Floats:
        try:
            with np.errstate(all="ignore"):
                values = residuals(x)
        except OverflowError:  # of a Python float
            values = np.full(count, LIMIT)
        return np.clip(np.nan_to_num(values, nan=LIMIT, posinf=LIMIT, neginf=-LIMIT), -LIMIT, LIMIT)

    derive = "3-point" if jacobian is None else jacobian
    start = np.asarray(start, dtype=np.float64)
    count = len(residuals(start))
    scale = np.where(start == 0, 1.0, np.abs(start))
    if robust:
        minimum = least_squares(
            bounded, start, loss="soft_l1", x_scale="jac", jac=derive, max_nfev=ROBUST_STEPS
        )
    else:
        minimum = least_squares(
            bounded,
            start,
            method="lm",
            x_scale=scale,
            jac=derive,
            max_nfev=MOST_STEPS,
            ftol=TIGHT,
            xtol=TIGHT,
            gtol=TIGHT,
        )
    return describe_minimum(residuals(minimum.x), np.asarray(minimum.jac), minimum.x)


def describe_minimum(residuals: Floats, by: Floats, x: Floats) -> Solution:
    """Return the solution of a minimum at `x`, (p,), with its derivatives `by`, (n, p)."""
    # Scale the columns to equal size, so that the pseudo-inverse cuts off undetermined directions
    # and not those with small units.
    norm = np.linalg.norm(by, axis=0)
    norm[norm == 0] = 1.0
    inverse = np.linalg.pinv(by / norm, rcond=1e-10)
    covariance = (inverse @ inverse.T) / np.outer(norm, norm)
    leverage = np.einsum("ij,ji->i", by / norm, inverse)
    return Solution(x, covariance, residuals, leverage)
