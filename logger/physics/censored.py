"""Normal distribution behind censored integer counts. Pure functions.

This module is responsible for a noise that a converter hides. Input: counts and a prior.
Output: mean and standard deviation in steps.

A converter rounds a voltage to whole steps, and most cannot read below zero: voltages below zero
read 0. The spread of such readings is then half of the true spread, or zero. This module finds the
mean and the standard deviation before rounding on a grid, from the probability of each count (a
Tobit model with rounding), with a prior for what the counts leave undetermined. A small share of
the counts may be outliers.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.blocks import Floats

SIGMAS = 0.1, 64.0  # steps
PLACES = -4.0, 4.0  # of means, in units of one step plus one standard deviation
GRID = 24
LEAST_WEIGHT = 1e-3
ROUNDING = 12**-0.5
MEAN_SD = 1.5  # prior of the mean: normal about 0, this many steps and one standard deviation
STRAY, STRAY_RANGE = 0.005, 64.0  # share of outliers, and the width of their distribution in steps
QUANTILE = 0.9  # of the standard deviation: an underestimate causes false findings
BOUND_WIDTH = 0.15  # of the logarithm of an upper bound

_erfc = np.vectorize(math.erfc, otypes=[np.float64])  # the daemon does not depend on scipy


class HiddenDistribution(NamedTuple):
    """Estimated distribution before rounding, in steps.

    `sd` includes rounding; `mean` may be below 0.
    """

    sd: float
    mean: float
    mean_sd: float


class Prior(NamedTuple):
    """Prior of the standard deviation in steps.

    median, width  of a log-normal distribution; `width` is the standard deviation of the logarithm
    bound          upper bound, None if there is none
    """

    median: float = 1.0
    width: float = 0.7
    bound: float | None = None


def estimate(counts: NDArray[np.int64], prior: Prior) -> HiddenDistribution:
    """Return the distribution behind counts (n,) >= 0; n may be 0."""
    values, times = np.unique(counts, return_counts=True)
    occurring = values, times.astype(np.int64)
    sigmas, places = np.geomspace(*SIGMAS, GRID), np.linspace(*PLACES, GRID)
    weight = _posterior(sigmas, places, occurring, prior)
    # Refine the grid around the weight: many counts resolve more than the coarse grid.
    sigmas = np.geomspace(*_likely(sigmas, weight.max(axis=1)), GRID)
    places = np.linspace(*_likely(places, weight.max(axis=0)), GRID)
    weight = _posterior(sigmas, places, occurring, prior)
    mean = places * (1 + sigmas[:, None])
    below = np.cumsum(weight.sum(axis=1))
    sd = float(np.interp(QUANTILE, below, np.hypot(sigmas, ROUNDING)))
    centre = float((weight * mean).sum())
    return HiddenDistribution(sd, centre, math.sqrt(float((weight * (mean - centre) ** 2).sum())))


def normal_cdf(z: Floats) -> Floats:
    """Return the standard normal distribution function at `z`."""
    return np.asarray(0.5 * _erfc(-z / math.sqrt(2)))


def _posterior(
    sigmas: Floats,
    places: Floats,
    occurring: tuple[NDArray[np.int64], NDArray[np.int64]],
    prior: Prior,
) -> Floats:
    """Return the probability of each standard deviation and place, (s, p)."""
    sigma = sigmas[:, None]
    mean = places * (1 + sigma)
    likelihood = -0.5 * (np.log(sigma / prior.median) / prior.width) ** 2
    likelihood = likelihood - 0.5 * (mean / np.hypot(MEAN_SD, sigma)) ** 2
    if prior.bound is not None:
        total, bound = np.hypot(sigma, ROUNDING), max(prior.bound, ROUNDING)
        beyond = np.maximum(np.log(total / bound), 0.0)
        likelihood = likelihood - 0.5 * (beyond / BOUND_WIDTH) ** 2
    below = np.zeros_like(mean)
    last = -1
    for count, times in zip(*occurring, strict=True):
        if count != last + 1:
            below = normal_cdf((count - 0.5 - mean) / sigma)
        up_to = normal_cdf((count + 0.5 - mean) / sigma)
        chance, below, last = up_to - below, up_to, count
        likelihood = likelihood + times * np.log((1 - STRAY) * chance + STRAY / STRAY_RANGE)
    weight: Floats = np.exp(likelihood - likelihood.max())
    return np.asarray(weight / weight.sum())


def _likely(grid: Floats, weight: Floats) -> tuple[float, float]:
    """Return the part of a grid (n,) that holds nearly all the weight (n,)."""
    likely = np.flatnonzero(weight > LEAST_WEIGHT * weight.max())
    first, last = max(likely[0] - 1, 0), min(likely[-1] + 1, len(grid) - 1)
    return float(grid[first]), float(grid[last])
