"""Robust test for a step within the latest days of a series, for rule `baseline-shift`.

Model of the deviations from the forecast: an offset (error of the forecast, normal with a known
variance), a step from some day on, and weather, a first-order autoregression whose innovations
have the tails of Student's t. The ratio of the likelihoods with and without the step is large only
if the new level lasts: a storm that jumps up and fades is explained by one improbable innovation.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from logger.blocks import Floats, Times

TAIL = 4.0  # degrees of freedom of Student's t
ROUNDS = 6  # of reweighting
SPREAD = 0.3  # SWR, of steps in general


class Steps(NamedTuple):
    """Fits of a step from each of several places on, (candidates,) each.

    size, offset  of the step and before it, SWR
    gain          of log likelihood over no step, with the best size
    evidence      log of the same ratio averaged over sizes of SPREAD, so that a size that hardly
                  any reading determines does not count
    """

    size: Floats
    offset: Floats
    gain: Floats
    evidence: Floats


class Step(NamedTuple):
    """The best step: its place among the days, size, the offset before it, and its gain of log
    likelihood over no step."""

    place: int
    size: float
    offset: float
    gain: float


def best_step(
    day: Floats,
    departure: Floats,
    extra: Floats,
    offset_variance: float,
    deviation: float,
    correlation: float,
    least_days: int,
) -> Step | None:
    """Return the step of the largest gain, None if there are too few days; least_days  at the new
    level, the others as in `fit_steps`."""
    if len(day) < least_days:
        return None
    first = np.arange(len(day) - least_days + 1)
    steps = fit_steps(day, departure, extra, offset_variance, deviation, correlation, first)
    best = int(np.argmax(steps.gain))
    size, offset, gain = (float(values[best]) for values in steps[:3])
    return Step(best, size, offset, gain)


def fit_steps(
    day: Floats,
    departure: Floats,
    extra: Floats,
    offset_variance: float,
    deviation: float,
    correlation: float,
    first: Times,
) -> Steps:
    """Fit a step from each of the places `first` (candidates,) on.

    day, departure, extra  (n,): ascending days, SWR less its forecast, variance by few
        transmissions; deviation, correlation  of the weather
    """
    count = len(day)
    keep = correlation ** np.diff(day, prepend=-np.inf)
    scale = 1 / np.sqrt(deviation**2 * (1 - keep**2) + extra)
    after = (np.arange(count) >= first[:, None]).astype(np.float64)  # (candidates, n)

    def whiten(values: Floats) -> Floats:
        before = np.concatenate([np.zeros_like(values[..., :1]), values[..., :-1]], axis=-1)
        return np.asarray((values - keep * before) * scale)

    target, constant, step = whiten(departure), whiten(np.ones(count)), whiten(after)
    prior = 1 / offset_variance
    # The last candidate of these is no step.
    step = np.vstack([step, np.zeros(count)])
    offset, size, information, loss = _fit(target, constant, step, prior)
    gain = loss[-1] - loss[:-1]
    size, information = size[:-1], information[:-1]
    evidence = gain - size**2 / (2 * SPREAD**2) - np.log1p(SPREAD**2 * information) / 2
    return Steps(size, offset[:-1], gain, evidence)


def _fit(
    target: Floats, constant: Floats, step: Floats, prior: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Offset, step, information on the step and loss of each candidate, all (candidates,), by
    reweighted least squares."""
    weight = np.ones_like(step)
    products = np.stack([constant * constant, constant * target])  # (2, n)
    for _ in range(ROUNDS):
        aa, ta = products @ weight.T
        aa = aa + prior
        weighted = weight * step
        ab = weighted @ constant
        tb = weighted @ target
        bb = np.einsum("ij,ij->i", weighted, step) + 1e-6
        information = bb - ab**2 / aa
        size = (tb - ab * ta / aa) / information
        offset = (ta - ab * size) / aa
        rest2 = (target - offset[:, None] * constant - size[:, None] * step) ** 2
        weight = (TAIL + 1) / (TAIL + rest2)
    loss = (TAIL + 1) / 2 * np.log1p(rest2 / TAIL).sum(axis=1) + prior * offset**2 / 2
    return offset, size, information, loss
