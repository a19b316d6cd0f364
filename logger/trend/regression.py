"""Regression of daily values with autocorrelated departures. Pure functions.

The departure of a day is that of the last known day, times `correlation` to the power of the number
of days between them, plus an innovation (a first-order autoregression that allows for gaps). The
columns are whitened with it, and least squares gives estimates and their covariance; `correlation`
maximises the restricted likelihood (H. D. Patterson and R. Thompson, Biometrika 58 (1971) 545),
which the number of columns does not bias. Innovations beyond HUBER standard deviations have less
weight (P. J. Huber, Annals of Mathematical Statistics 35 (1964) 73).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from logger.daily import FloatArray, IntArray

CORRELATIONS = np.concatenate([np.arange(0.0, 0.9, 0.05), [0.9, 0.93, 0.95, 0.97, 0.98]])
HUBER = 2.5
ROUNDS = 3
SIGMA_PER_MAD = 1.4826
LEAST_NOISE = 1e-6  # of a constant series


@dataclass(frozen=True)
class Whitening:
    """Subtraction of each day's expectation from the day before, shape (n, ...)."""

    keep: FloatArray  # factor of the day before; 0 for the first
    scale: FloatArray  # 1 / standard deviation of the innovation, relative to that of a departure
    weight: FloatArray  # 1, less for outliers

    def __call__(self, values: FloatArray) -> FloatArray:
        shape = (-1,) + (1,) * (values.ndim - 1)
        keep, scale = self.keep.reshape(shape), (self.scale * self.weight).reshape(shape)
        previous = np.concatenate([np.zeros_like(values[:1]), values[:-1]])
        return np.asarray((values - keep * previous) * scale)


def whitening(day: IntArray, correlation: float, weight: FloatArray | None = None) -> Whitening:
    """Return the whitening for days with readings, ascending, shape (n,)."""
    keep = np.concatenate([[0.0], correlation ** np.diff(day).astype(np.float64)])
    scale = 1 / np.sqrt(1 - keep**2)
    return Whitening(keep, scale, np.ones(len(day)) if weight is None else weight)


@dataclass(frozen=True)
class RegressionFit:
    """Estimates (k,) with their covariance (k, k), and residuals (n,)."""

    estimate: FloatArray
    covariance: FloatArray
    residual: FloatArray  # value less model
    correlation: float
    noise: float  # standard deviation of a day's departure
    freedom: float
    whitening: Whitening
    basis: FloatArray  # orthonormal, of the whitened columns
    fresh: FloatArray  # whitened residual in units of `noise`
    pull: FloatArray  # effect of each whitened value on the estimates, (n, k)

    @cached_property
    def deviation(self) -> FloatArray:
        """Standard errors, (k,)."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0))

    def slow(self, day: IntArray, column: int, block_days: int) -> float:
        """Return the factor >= 1 by which long correlations increase the variance of an estimate.

        It compares the squared contributions of blocks of days with those of single days (a
        cluster-robust variance; R. Liang and S. L. Zeger, Biometrika 73 (1986) 13).
        """
        direction = self.pull[:, column]
        blocks = (day - day[0]) // block_days
        sums = np.bincount(blocks, direction * self.fresh)
        count = len(np.unique(blocks))
        # Correct for the part that the columns of the fit absorb.
        correction = count / max(1, count - self.pull.shape[1])
        return float(max(1.0, correction * (sums @ sums) / (direction @ direction)))


def fit(day: IntArray, value: FloatArray, columns: FloatArray) -> RegressionFit:
    """Fit `value` (n,) by `columns` (n, k), n > k, the columns independent."""
    weight = np.ones(len(day))
    correlation = 0.0
    for round_ in range(ROUNDS):
        correlation = _likeliest(day, value, columns, weight)
        regression = least_squares(day, value, columns, correlation, weight)
        new = regression.fresh / np.maximum(weight, 1e-9)
        spread = max(SIGMA_PER_MAD * float(np.median(np.abs(new))), 1e-9)
        new_weight = np.sqrt(np.minimum(1.0, HUBER * spread / np.maximum(np.abs(new), 1e-12)))
        if round_ == ROUNDS - 1 or np.allclose(new_weight, weight, atol=0.02):
            break
        weight = new_weight
    return regression


def least_squares(
    day: IntArray, value: FloatArray, columns: FloatArray, correlation: float, weight: FloatArray
) -> RegressionFit:
    """Fit as `fit` does, for a known correlation and weights (n,) of the innovations."""
    white = whitening(day, correlation, weight)
    basis, upper = np.linalg.qr(white(columns))
    target = white(value)
    inverse = np.linalg.pinv(upper)
    estimate = inverse @ (basis.T @ target)
    residual = target - basis @ (basis.T @ target)
    freedom = max(1.0, len(day) - columns.shape[1])
    noise = max(float(np.sqrt(residual @ residual / freedom)), LEAST_NOISE)
    return RegressionFit(
        estimate=np.asarray(estimate),
        covariance=np.asarray(noise**2 * inverse @ inverse.T),
        residual=np.asarray(value - columns @ estimate),
        correlation=correlation,
        noise=noise,
        freedom=freedom,
        whitening=white,
        basis=basis,
        fresh=np.asarray(residual / noise),
        pull=np.asarray(basis @ inverse.T),
    )


def _likeliest(day: IntArray, value: FloatArray, columns: FloatArray, weight: FloatArray) -> float:
    """Return the correlation that maximises the restricted likelihood."""
    scores = np.array(
        [_deviance(day, value, columns, float(correlation), weight) for correlation in CORRELATIONS]
    )
    best = int(np.argmin(scores))
    if best in (0, len(scores) - 1):
        return float(CORRELATIONS[best])
    left, right = CORRELATIONS[best - 1], CORRELATIONS[best + 1]
    curve = np.polyfit(CORRELATIONS[best - 1 : best + 2], scores[best - 1 : best + 2], 2)
    return (
        float(np.clip(-curve[1] / (2 * curve[0]), left, right))
        if curve[0] > 0
        else float(CORRELATIONS[best])
    )


def _deviance(
    day: IntArray, value: FloatArray, columns: FloatArray, correlation: float, weight: FloatArray
) -> float:
    """Return -2 log of the restricted likelihood, up to a constant."""
    white = whitening(day, correlation, weight)
    basis, upper = np.linalg.qr(white(columns))
    target = white(value)
    residual_square = float(target @ target - np.sum((basis.T @ target) ** 2))
    freedom = max(1, len(day) - columns.shape[1])
    spread = float(-2 * np.log(white.scale).sum())
    size = 2 * float(np.log(np.maximum(np.abs(np.diag(upper)), 1e-12)).sum())
    return float(freedom * np.log(max(residual_square, 1e-300)) + spread + size)
