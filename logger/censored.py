"""The normal distribution behind whole counts that end at zero. Pure functions.

A converter rounds a voltage to whole steps, and most cannot read below zero: readings of what lies
there are 0. Their spread is then a half of the truth or nothing at all. Here the mean and the
standard deviation before rounding are sought on a grid, by the probability of each count (a Tobit
model with rounding), with a prior for what the counts leave open; some counts may be anything.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.blocks import Floats

SIGMAS = np.geomspace(0.1, 64.0, 40)  # steps
PLACES = np.linspace(-4.0, 4.0, 33)  # means, in units of 1 step and a standard deviation
MEAN_SD = 1.5  # prior of the mean: normal about 0, this many steps and one standard deviation
ODD, ODD_RANGE = 0.005, 64.0  # share of counts from elsewhere, and how far they spread
QUANTILE = 0.9  # of the standard deviation: too little costs false findings
BOUND_WIDTH = 0.15  # of the logarithm of an upper bound


class Hidden(NamedTuple):
    """All in steps. `sd` includes rounding; `mean` may be below 0."""

    sd: float
    mean: float
    mean_sd: float


class Prior(NamedTuple):
    """The standard deviation in steps before any count: log-normal, `width` of the logarithm;
    `bound` what scatters at most, if that is known."""

    median: float = 1.0
    width: float = 0.7
    bound: float | None = None


def estimate(counts: NDArray[np.int64], prior: Prior) -> Hidden:
    """Return the distribution behind counts (n,) >= 0; n may be 0."""
    # scipy takes a while to load, and most stations do not need it here.
    from scipy.special import ndtr

    total = np.hypot(SIGMAS, 12**-0.5)
    mean = PLACES * (1 + SIGMAS[:, None])
    likelihood = -0.5 * (np.log(SIGMAS / prior.median)[:, None] / prior.width) ** 2
    likelihood = likelihood - 0.5 * (mean / np.hypot(MEAN_SD, SIGMAS[:, None])) ** 2
    if prior.bound is not None:
        beyond = np.maximum(np.log(total / math.hypot(prior.bound, 12**-0.5)), 0.0)
        likelihood = likelihood - 0.5 * (beyond[:, None] / BOUND_WIDTH) ** 2
    place = mean / SIGMAS[:, None]
    below = np.zeros_like(place)
    last = -1
    for count, times in zip(*np.unique(counts, return_counts=True), strict=True):
        if count != last + 1:
            below = ndtr((count - 0.5) / SIGMAS[:, None] - place)
        upto = ndtr((count + 0.5) / SIGMAS[:, None] - place)
        chance, below, last = upto - below, upto, count
        likelihood = likelihood + times * np.log((1 - ODD) * chance + ODD / ODD_RANGE)
    weight: Floats = np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    sd = float(np.interp(QUANTILE, np.cumsum(weight.sum(axis=1)), total))
    middle = float((weight * mean).sum())
    return Hidden(sd, middle, math.sqrt(float((weight * (mean - middle) ** 2).sum())))
