"""Robust test for a step within the latest days of a series, for rule `baseline-shift`.

Model of the deviations from the forecast: the error of the forecast, which grows evenly from the
first day to the last (two normal terms of known variances), a step from some day on, and weather, a
first-order autoregression whose innovations have the tails of Student's t. The ratio of the
likelihoods with and without the step is large only if the new level lasts: a storm that rises
suddenly and fades is explained by one improbable innovation, a season not yet learned by the
growing error.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from logger.blocks import Floats, Times

TAIL = 4.0  # degrees of freedom of Student's t
ROUNDS = 6  # of reweighting
SPREAD = 0.3  # SWR, standard deviation of step sizes


class Series(NamedTuple):
    """Days prepared for the tests, arrays (n,), days ascending.

    departure        from the forecast, SWR
    extra            variance from the small number of transmissions
    first_variance   of the forecast on the first day,
    tilt_variance    of its change from there to the last day,
    last_variance    and of the forecast on the last day
    deviation, correlation  of the weather
    """

    day: Floats
    departure: Floats
    extra: Floats
    first_variance: float
    tilt_variance: float
    last_variance: float
    deviation: float
    correlation: float


class Steps(NamedTuple):
    """Fits of a step at each of several places, (candidates,) each.

    size      of the step, SWR
    gain      of log likelihood over no step, with the best size
    evidence  log of the same ratio averaged over sizes of SPREAD, so that a size that hardly any
              reading determines does not count
    """

    size: Floats
    gain: Floats
    evidence: Floats


def fit_steps(series: Series, first: Times) -> Steps:
    """Fit a step at each of the places `first` (candidates,)."""
    day = series.day
    count = len(day)
    keep = series.correlation ** np.diff(day, prepend=-np.inf)
    scale = 1 / np.sqrt(series.deviation**2 * (1 - keep**2) + series.extra)
    is_after = (np.arange(count) >= first[:, None]).astype(np.float64)  # (candidates, n)

    def whiten(values: Floats) -> Floats:
        before = np.concatenate([np.zeros_like(values[..., :1]), values[..., :-1]], axis=-1)
        return np.asarray((values - keep * before) * scale)

    tilt = (day - day[0]) / max(day[-1] - day[0], 1.0)
    is_after = np.vstack([is_after, np.zeros(count)])  # the last candidate has no step
    design = np.empty((len(is_after), 3, count))
    design[:, 0], design[:, 1], design[:, 2] = 1.0, tilt, is_after
    design = whiten(design)
    prior = np.array([1 / series.first_variance, 1 / max(series.tilt_variance, 1e-9), 1e-6])
    size, information, loss = _fit(whiten(series.departure), design, prior)
    gain = loss[-1] - loss[:-1]
    size, information = size[:-1], information[:-1]
    evidence = gain - size**2 / (2 * SPREAD**2) - np.log1p(SPREAD**2 * information) / 2
    return Steps(size, gain, evidence)


def _fit(target: Floats, design: Floats, prior: Floats) -> tuple[Floats, Floats, Floats]:
    """Return step, information on the step and loss of each candidate, all (candidates,).

    Reweighted least squares; target (n,), design (candidates, 3, n), prior (3,) precisions.
    """
    weight = np.ones(design.shape[::2])
    for _ in range(ROUNDS):
        weighted = design * weight[:, None, :]
        covariance = np.linalg.inv(weighted @ design.transpose(0, 2, 1) + np.diag(prior))
        parameters = (covariance @ (weighted @ target)[..., None])[..., 0]  # (candidates, 3)
        rest2 = (target - (parameters[:, None, :] @ design)[:, 0]) ** 2
        weight = (TAIL + 1) / (TAIL + rest2)
    loss = (TAIL + 1) / 2 * np.log1p(rest2 / TAIL).sum(axis=1) + parameters**2 @ prior / 2
    return parameters[:, 2], 1 / covariance[:, 2, 2], loss
