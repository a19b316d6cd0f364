"""Mann-Kendall test and Theil-Sen slope of seasons, from ranks and medians.

Pure functions. Sources: H. B. Mann, Econometrica 13 (1945) 245; P. K. Sen, Journal of the American
Statistical Association 63 (1968) 1379; R. M. Hirsch, J. R. Slack and R. A. Smith, Water Resources
Research 18 (1982) 107 for seasons; R. M. Hirsch and J. R. Slack, the same 20 (1984) 727 for seasons
that are not independent; R. O. Gilbert, Statistical Methods for Environmental Pollution Monitoring
(1987) for the interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from logger.daily import FloatArray

Z95 = 1.959964


class MannKendall(NamedTuple):
    """Concordant less discordant pairs, its variance, and the resulting test."""

    s: float
    variance: float
    z: float
    p_value: float  # two-sided


class TheilSen(NamedTuple):
    """Median slope with its 95 % interval."""

    slope: float
    low: float
    high: float


def seasonal(seasons: Sequence[tuple[ArrayLike, ArrayLike]]) -> tuple[MannKendall, TheilSen] | None:
    """Return both for several series (time, value), one per season, each compared with itself.

    Times are years, common to the seasons; seasons are not assumed independent. None where no
    season has two times.
    """
    series = [(np.asarray(t, float), np.asarray(x, float)) for t, x in seasons]
    slopes = np.concatenate([_slopes(t, x) for t, x in series] or [np.empty(0)])
    if not len(slopes):
        return None
    scores = [_score(t, x) for t, x in series]
    variance = sum(variance_of_season for _, variance_of_season in scores) + _covariance(series)
    alone = sum(variance_of_season for _, variance_of_season in scores)
    variance = max(variance, alone)  # with few years covariances are poor
    return _test(sum(s for s, _ in scores), variance), _sen(slopes, variance)


def _score(t: FloatArray, x: FloatArray) -> tuple[float, float]:
    n = len(x)
    s = float(np.sum(np.triu(np.sign(x - x[:, None]) * np.sign(t - t[:, None]), 1)))
    groups = [np.unique(values, return_counts=True)[1].astype(float) for values in (x, t)]
    first = n * (n - 1) * (2 * n + 5) - sum(
        float(np.sum(g * (g - 1) * (2 * g + 5))) for g in groups
    )
    variance = first / 18
    if n > 2:
        triples = [float(np.sum(g * (g - 1) * (g - 2))) for g in groups]
        variance += triples[0] * triples[1] / (9 * n * (n - 1) * (n - 2))
    if n > 1:
        pairs = [float(np.sum(g * (g - 1))) for g in groups]
        variance += pairs[0] * pairs[1] / (2 * n * (n - 1))
    return s, variance


def _test(s: float, variance: float) -> MannKendall:
    z = 0.0 if s == 0 or variance <= 0 else (s - np.sign(s)) / np.sqrt(variance)
    return MannKendall(s, variance, float(z), float(2 * ndtr(-abs(z))))


def _slopes(t: FloatArray, x: FloatArray) -> FloatArray:
    first, second = np.triu_indices(len(t), 1)
    interval = t[second] - t[first]
    return np.asarray((x[second] - x[first])[interval != 0] / interval[interval != 0])


def _sen(slopes: FloatArray, variance: float) -> TheilSen:
    slopes = np.sort(slopes)
    reach = Z95 * np.sqrt(variance)
    ranks = np.array([(len(slopes) - reach) / 2, (len(slopes) + reach) / 2 + 1])
    low, high = np.interp(ranks, np.arange(1, len(slopes) + 1), slopes)
    return TheilSen(float(np.median(slopes)), float(low), float(high))


def _covariance(series: Sequence[tuple[FloatArray, FloatArray]]) -> float:
    """Return the covariance of the seasons' scores (Hirsch and Slack), in years common to all."""
    years = sorted(set.intersection(*(set(t) for t, _ in series)))
    if len(years) < 3:
        return 0.0
    table = np.array([[x[list(t).index(year)] for year in years] for t, x in series])
    n = len(years)
    rank = 1 + 0.5 * (n - 1 + np.sign(table[:, :, None] - table[:, None, :]).sum(axis=2))
    signs = np.sign(table[:, None, :] - table[:, :, None])
    upper = np.triu_indices(n, 1)
    order = signs[:, upper[0], upper[1]]
    k = order @ order.T
    r = rank @ rank.T
    sigma = (k + 4 * r - n * (n + 1) ** 2) / 3
    return float(sigma.sum() - np.trace(sigma))
