"""Forecast of a channel's daily SWR, for rule `baseline-shift`.

A Kalman filter over days with readings. Its state is the level, the slope and the amplitudes of a
wave of one year; these start with the spread of stations in general, so that the forecast is wide
in the first year and includes the season afterwards. The effect of weather is part of the
measurement noise: a first-order autoregression of days, with standard deviation and correlation
learned from the innovations. A day is a UTC day counted from 1970-01-01, without fractions; all
values are SWR.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np

from logger.blocks import Floats

YEAR = 365.25  # days
GUESS, UNKNOWN = 1.5, 1.0  # level before the first reading, and its standard deviation
SLOPE, WAVE = 0.1, 0.1  # standard deviations over stations of slopes (SWR per year) and amplitudes
WANDER = 0.004  # SWR per day of random walk of the level, besides slope and wave
PRIOR_SD = 0.03  # of the weather: initial value, with the weight of PRIOR_DAYS
PRIOR_DAYS = 10.0
LEAST_SD = 0.012
PRIOR_CORRELATION, MOST_CORRELATION = 0.5, 0.9
MOST_DAYS = 120.0  # of weather in the estimate; older days fade
CAP = 4.0  # standard deviations at which an innovation is clipped for learning
TAIL = 4.0  # degrees of freedom of Student's t, for outliers of the weather


class BaselineForecast(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """State of the filter.

    mean        level, slope, amplitudes of cosine and sine; empty before the first reading
    covariance  of these, 4 * 4 numbers by rows
    day         of the latest reading
    innovation  of that reading
    days        weight of the days in the next two
    squares, products  weighted sums of innovations: squared, and times that of the day before
    """

    mean: list[float] = []
    covariance: list[float] = []
    day: int = 0
    innovation: float = 0.0
    days: float = 0.0
    squares: float = 0.0
    products: float = 0.0

    @property
    def deviation(self) -> float:
        """Standard deviation of the weather, SWR."""
        squares = PRIOR_DAYS * PRIOR_SD**2 + self.squares
        return max(LEAST_SD, math.sqrt(squares / (PRIOR_DAYS + self.days)))

    @property
    def correlation(self) -> float:
        """Correlation of the weather of successive days."""
        prior = PRIOR_DAYS * PRIOR_SD**2
        products = PRIOR_CORRELATION * prior + self.products
        return min(max(products / (prior + self.squares), 0.0), MOST_CORRELATION)


def predict(forecast: BaselineForecast, day: Floats) -> tuple[Floats, Floats]:
    """Return the expected SWR of days (n,) without weather, and its variance.

    No day may precede the latest reading.
    """
    if not forecast.mean:
        return np.full(len(day), GUESS), np.full(len(day), UNKNOWN**2)
    elapsed = np.maximum(day - forecast.day, 0.0)
    angle = 2 * np.pi * day / YEAR
    rows = np.column_stack([np.ones(len(day)), elapsed, np.cos(angle), np.sin(angle)])
    covariance = np.reshape(forecast.covariance, (4, 4))
    variance = ((rows @ covariance) * rows).sum(axis=1) + WANDER**2 * elapsed
    return np.asarray(rows @ forecast.mean), np.asarray(variance)


def variance_of_change(forecast: BaselineForecast, first: float, last: float) -> float:
    """Return the variance of the change of the forecast's error from one day to another.

    Neither day may precede the latest reading. A season is not a sine wave: at times it is steeper
    than the learned wave, by as much as a wave of the amplitude WAVE.
    """
    if not forecast.mean:
        return 0.0
    row = _row(last) - _row(first)
    row[1] = last - first
    covariance = np.reshape(forecast.covariance, (4, 4))
    steeper = 2 * math.pi * WAVE / YEAR * (last - first)
    return float(row @ covariance @ row) + WANDER**2 * (last - first) + steeper**2


def learn(forecast: BaselineForecast, day: int, swr: float) -> None:
    """Update the filter with the reading of a day."""
    mean, covariance = _state_on(forecast, day)
    row = _row(day)
    innovation = swr - float(row @ mean)
    gain = covariance @ row
    spread = float(row @ gain)
    weather = forecast.deviation**2
    correlation = forecast.correlation
    u2 = innovation**2 / (weather + spread)
    # Correlated days have less weight than their number; an outlier has little.
    noise = weather * (1 + correlation) / (1 - correlation) * (TAIL + u2) / (TAIL + 1)
    gain /= spread + noise
    mean += gain * innovation
    keep = np.eye(len(mean)) - np.outer(gain, row)
    covariance = keep @ covariance @ keep.T + noise * np.outer(gain, gain)
    teach_weather(forecast, day, innovation, spread)
    forecast.mean = [round(value, 9) for value in mean.tolist()]
    forecast.covariance = [round(value, 12) for value in covariance.ravel().tolist()]
    forecast.day = day


def move(forecast: BaselineForecast, step: float, variance: float) -> None:
    """Shift the level by `step` SWR of the given variance."""
    if forecast.mean:
        forecast.mean[0] += step
        forecast.covariance[0] += variance


def teach_weather(forecast: BaselineForecast, day: int, innovation: float, spread: float) -> None:
    """Update deviation and correlation of the weather from an innovation.

    `spread` is the variance of the innovation according to the forecast.
    """
    weight = forecast.deviation**2 / (forecast.deviation**2 + spread)
    limit = CAP * forecast.deviation / math.sqrt(weight)
    cut = min(max(innovation, -limit), limit)
    fade = 1 - 1 / MOST_DAYS
    follows = day - forecast.day == 1
    forecast.days = forecast.days * fade + weight
    forecast.squares = forecast.squares * fade + weight * weight * cut**2
    product = cut * forecast.innovation if follows else forecast.correlation * cut**2
    forecast.products = forecast.products * fade + weight * weight * product
    forecast.innovation = cut


def _state_on(forecast: BaselineForecast, day: int) -> tuple[Floats, Floats]:
    """Return mean and covariance of the state on a day."""
    if not forecast.mean:
        spreads = [UNKNOWN, SLOPE / YEAR, WAVE, WAVE]
        return np.array([GUESS, 0.0, 0.0, 0.0]), np.diag(np.square(spreads))
    elapsed = max(day - forecast.day, 0)
    step = np.eye(4)
    step[0, 1] = elapsed
    mean = step @ forecast.mean
    covariance = step @ np.reshape(forecast.covariance, (4, 4)) @ step.T
    covariance[0, 0] += WANDER**2 * elapsed
    return mean, covariance


def _row(day: float) -> Floats:
    angle = 2 * math.pi * day / YEAR
    return np.array([1.0, 0.0, math.cos(angle), math.sin(angle)])
