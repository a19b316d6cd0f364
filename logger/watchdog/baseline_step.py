"""Robust test for a step within the latest days of a series, for rule `baseline-shift`.

Model of the deviations from the forecast: an offset (error of the forecast, normal with a known
variance), a step from some day on, and weather, a first-order autoregression whose innovations
have the tails of Student's t. The ratio of the likelihoods with and without the step is large only
if the new level lasts: a storm that jumps up and fades is explained by one improbable innovation.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from logger.blocks import Floats

TAIL = 4.0  # degrees of freedom of Student's t
ROUNDS = 6  # of reweighting


class Step(NamedTuple):
    """The best step: its place among the days, size, the offset before it, standard deviation of
    the level after it, and its gain of log likelihood over no step."""

    place: int
    size: float
    offset: float
    deviation: float
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
    """Return the best step, None if there are too few days.

    day, departure, extra  (n,): ascending days, SWR less its forecast, variance by few
        transmissions; deviation, correlation  of the weather; least_days  at the new level
    """
    count = len(day)
    if count < least_days:
        return None
    keep = correlation ** np.diff(day, prepend=-np.inf)
    variance = deviation**2 * (1 - keep**2) + extra
    scale = 1 / np.sqrt(variance)
    first = np.arange(count - least_days + 1)
    after = (np.arange(count) >= first[:, None]).astype(np.float64)  # (candidates, n)

    def whiten(values: Floats) -> Floats:
        before = np.concatenate([np.zeros_like(values[..., :1]), values[..., :-1]], axis=-1)
        return np.asarray((values - keep * before) * scale)

    target, constant, step = whiten(departure), whiten(np.ones(count)), whiten(after)
    prior = 1 / offset_variance
    _, _, plain = _fit(target[None], constant, np.zeros((1, count)), prior)
    offset, size, loss = _fit(np.broadcast_to(target, step.shape), constant, step, prior)
    gain = plain[0] - loss
    best = int(np.argmax(gain))
    spread = deviation**2 * (1 + correlation) / (1 - correlation) / (count - best)
    return Step(
        int(first[best]),
        float(size[best]),
        float(offset[best]),
        float(np.sqrt(spread)),
        float(gain[best]),
    )


def _fit(
    target: Floats, constant: Floats, step: Floats, prior: float
) -> tuple[Floats, Floats, Floats]:
    """Offset, step and loss of each candidate, all (candidates,), by reweighted least squares."""
    weight = np.ones_like(target)
    for _ in range(ROUNDS):
        aa = (weight * constant**2).sum(axis=1) + prior
        ab = (weight * constant * step).sum(axis=1)
        bb = (weight * step**2).sum(axis=1) + 1e-6
        ta = (weight * constant * target).sum(axis=1)
        tb = (weight * step * target).sum(axis=1)
        determinant = aa * bb - ab**2
        offset = (bb * ta - ab * tb) / determinant
        size = (aa * tb - ab * ta) / determinant
        rest2 = (target - offset[:, None] * constant - size[:, None] * step) ** 2
        weight = (TAIL + 1) / (TAIL + rest2)
    loss = (TAIL + 1) / 2 * np.log1p(rest2 / TAIL).sum(axis=1) + prior * offset**2 / 2
    return offset, size, loss
