"""Priors for ageing and excursions by class of stations, with partial pooling. Pure.

Slopes: normal within a class, and the means of the classes normal about that of the fleet; both
variances by R. C. Paule and J. Mandel, J. Res. Natl. Bur. Stand. 87 (1982) 377. Excursions: Poisson
with rates of a gamma distribution; its shape, common to all classes, by maximum likelihood of the
negative binomial (J. F. Lawless, Canadian J. Statist. 15 (1987) 209), the logarithms of the means
of the classes drawn together as the slopes are. So a class of few stations is near the fleet.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq, minimize_scalar
from scipy.special import gammaln

from logger.blocks import Bools, Floats, Times
from logger.trend.priors import ANY, AgeingPrior, RatePrior

LEAST_STATIONS = 5  # of a fleet, for priors
LEAST_IN_CLASS = 3  # stations; a class of one would publish that station
LEAST_DEVIATION = 1e-4  # SWR a year
DIGITS = 6  # in the file
MOST_STEPS = 2  # of a trend; with more, its slope is not clear
CLASS_WEIGHT = 10.0  # stations that the fleet's variance between stations counts in a class
SHAPES = (0.05, 50.0)  # of gamma distributions that are tried


class Class(NamedTuple):
    """Cable designation and class of age; ANY if not known."""

    cable: str
    age: str


class Pooled(NamedTuple):
    """A mean of estimates with its standard error, and the variance between them."""

    mean: float
    error: float
    between: float


def pool(estimate: Floats, variance: Floats) -> Pooled:
    """Return the random-effects mean of estimates (n,) with known variances."""
    between = paule_mandel(estimate, variance)
    weight = 1 / (variance + between)
    mean = float(weight @ estimate / weight.sum())
    return Pooled(mean, float(weight.sum() ** -0.5), between)


def paule_mandel(estimate: Floats, variance: Floats) -> float:
    """Return the variance between estimates (n,) beyond their own variances."""
    freedom = len(estimate) - 1
    if freedom < 1:
        return 0.0

    def excess(between: float) -> float:
        weight = 1 / (variance + between)
        mean = weight @ estimate / weight.sum()
        return float(weight @ (estimate - mean) ** 2) - freedom

    if excess(0.0) <= 0:
        return 0.0
    most = float(np.var(estimate) * len(estimate) + variance.max())
    return float(brentq(excess, 0.0, most))


def shrink(estimate: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Return estimates (n,) drawn towards their common mean, and their standard errors."""
    pooled = pool(estimate, variance)
    share = pooled.between / (pooled.between + variance)
    mean = share * estimate + (1 - share) * pooled.mean
    # The common mean is itself uncertain.
    return mean, np.sqrt(share * variance + ((1 - share) * pooled.error) ** 2)


def learn_ageing(slope: Floats, error: Floats, classes: Sequence[Class]) -> tuple[AgeingPrior, ...]:
    """Return priors of slopes (n,), SWR a year, by class, the last that of all stations."""
    if len(slope) < LEAST_STATIONS:
        return ()
    everything = pool(slope, error**2)
    names = sorted(set(classes))
    members = [np.array([each == name for each in classes]) for name in names]
    pools = [pool(slope[rows], error[rows] ** 2) for rows in members]
    counts = np.array([rows.sum() for rows in members])
    between = np.array([each.between for each in pools])
    # Within classes, of all together; that of a class from few stations is drawn towards it.
    common = float(counts @ between / counts.sum())
    between = (counts * between + CLASS_WEIGHT * common) / (counts + CLASS_WEIGHT)
    fitted = [
        _mean(slope[rows], error[rows] ** 2 + variance)
        for rows, variance in zip(members, between, strict=True)
    ]
    mean, mean_error = shrink(*np.array(fitted).T)
    priors = [
        AgeingPrior(
            cable=name.cable,
            age=name.age,
            stations=int(number),
            mean=round(float(centre), DIGITS),
            deviation=_deviation(variance, doubt),
        )
        for name, number, centre, variance, doubt in zip(
            names, counts, mean, between, mean_error, strict=True
        )
        if name != Class(ANY, ANY) and number >= LEAST_IN_CLASS
    ]
    fleet = AgeingPrior(
        cable=ANY,
        age=ANY,
        stations=len(slope),
        mean=round(everything.mean, DIGITS),
        deviation=_deviation(everything.between, everything.error),
    )
    return (*priors, fleet)


def learn_rates(count: Floats, hours: Floats, classes: Sequence[Class]) -> tuple[RatePrior, ...]:
    """Return priors of excursions (n,) in keyed hours (n,), by class, the last that of all."""
    used = hours > 0
    if used.sum() < LEAST_STATIONS or not count[used].sum():
        return ()
    count, hours = count[used], hours[used]
    own = [name for name, is_used in zip(classes, used, strict=True) if is_used]
    names = sorted(set(own))
    number = np.array([names.index(name) for name in own])
    shape, _ = fit_shape(count, hours, number)
    fleet_shape, (fleet_mean,) = fit_shape(count, hours, np.zeros(len(count), dtype=np.int64))
    means = np.array(
        [_rate(shape, count[number == n], hours[number == n]) for n in range(len(names))]
    )
    information = np.array(
        [
            np.sum(mean * hours[number == n] / (1 + mean * hours[number == n] / shape))
            for n, mean in enumerate(means)
        ]
    )
    ln_mean, ln_error = shrink(np.log(means), 1 / information)

    def prior(name: Class, rows: Bools, mean: float, of_shape: float) -> RatePrior:
        return RatePrior(
            cable=name.cable,
            age=name.age,
            stations=int(rows.sum()),
            excursions=int(count[rows].sum()),
            keyed_hours=round(float(hours[rows].sum()), 2),
            mean=round(float(mean), DIGITS),
            shape=round(float(of_shape), DIGITS),
        )

    # An uncertain mean makes the gamma distribution wider: relative variances add.
    priors = [
        prior(name, number == n, float(np.exp(ln_mean[n])), 1 / (1 / shape + ln_error[n] ** 2))
        for n, name in enumerate(names)
        if name != Class(ANY, ANY) and (number == n).sum() >= LEAST_IN_CLASS
    ]
    return (*priors, prior(Class(ANY, ANY), number >= 0, fleet_mean, fleet_shape))


def fit_shape(count: Floats, hours: Floats, number: Times) -> tuple[float, list[float]]:
    """Return the common shape and the mean rate of each class; `number` (n,) from 0."""
    groups = [number == n for n in range(int(number.max()) + 1)]

    def loss(ln_shape: float) -> float:
        shape = float(np.exp(ln_shape))
        return -sum(_likelihood(shape, count[rows], hours[rows]) for rows in groups)

    bounds = tuple(np.log(SHAPES))
    shape = float(np.exp(minimize_scalar(loss, bounds=bounds, method="bounded").x))
    return shape, [_rate(shape, count[rows], hours[rows]) for rows in groups]


def _likelihood(shape: float, count: Floats, hours: Floats) -> float:
    """Return the log likelihood of a negative binomial with the best mean, up to a constant."""
    expected = _rate(shape, count, hours) * hours
    terms = gammaln(count + shape) - gammaln(shape) - shape * np.log1p(expected / shape)
    return float(np.sum(terms + count * (np.log(expected) - np.log(expected + shape))))


def _rate(shape: float, count: Floats, hours: Floats) -> float:
    """Return the most likely mean rate of stations with a gamma distribution of this shape."""

    def score(rate: float) -> float:
        return float(np.sum((count - rate * hours) / (1 + rate * hours / shape)))

    # A class without excursions: as if half an excursion had been counted.
    count = count if count.any() else count + 0.5 / len(count)
    most = float((count / hours).max()) + 1e-12
    return float(brentq(score, 1e-12, most))


def _deviation(between: float, error: float) -> float:
    """Return the standard deviation of another station's slope, rounded."""
    return max(round(float(np.sqrt(between + error**2)), DIGITS), LEAST_DEVIATION)


def _mean(estimate: Floats, variance: Floats) -> tuple[float, float]:
    """Return the weighted mean and its variance."""
    weight = 1 / variance
    return float(weight @ estimate / weight.sum()), float(1 / weight.sum())
