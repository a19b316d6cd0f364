"""Forecast of the day on which a channel will reach the station's limit.

The present slope continues. Level and slope are taken as jointly normal about the estimates of the
trend; the season repeats. Then each pair of level and slope gives one day of reaching the limit,
and the probability of having reached it is that of the pairs whose day has passed: by quadrature
over the slope, with the level in closed form.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from logger.daily import FloatArray, IntArray
from logger.physics.reflection import COVERAGE
from logger.trend.outcome import Curve, Trend

YEAR = 365.25  # days
LEAST_YEARS = 1.0  # of data needed for a forecast, which reaches no further than the data
NODES = 101  # of the slope's distribution
STRIDE = 7  # days
LIKELY, EARLY, LATE = 0.5, 0.1, 0.9
MOST_CORRELATED = 0.99

_erf = np.vectorize(math.erf, otypes=[np.float64])


@dataclass(frozen=True)
class Forecast:
    """Forecast of one channel. Days as in `logger.daily`; None where there is no forecast.

    The limit will have been reached by `early`, `likely` and `late` with probabilities of 0.1, 0.5
    and 0.9; None if that is beyond the horizon.
    """

    limit: float  # SWR
    reason: str | None  # why there is no forecast; the other fields are then None
    horizon: int | None = None
    probability: float | None = None  # of reaching the limit by the horizon
    early: int | None = None
    likely: int | None = None
    late: int | None = None


def forecast(trend: Trend, limit: float) -> Forecast:
    """Return the days on which the daily value, season included, may reach `limit` (SWR).

    There is no forecast with less than a year of data since the last step, nor beyond the length of
    the data.
    """
    reach = trend.last - trend.since
    if None in (trend.slope_per_year, trend.slope_low, trend.slope_high):
        return Forecast(limit, "the slope is unknown")
    if reach < LEAST_YEARS * YEAR:
        return Forecast(limit, "the present level has lasted less than a year")
    ahead = np.unique(np.append(np.arange(0, reach, STRIDE), reach))
    reached = reaching(trend, limit, ahead)

    def first(probability: float) -> int | None:
        """Return the day of this probability, by linear interpolation between strides."""
        if reached[-1] < probability:
            return None
        return trend.last + math.ceil(float(np.interp(probability, reached, ahead)))

    return Forecast(
        limit,
        None,
        horizon=trend.last + reach,
        probability=float(reached[-1]),
        early=first(EARLY),
        likely=first(LIKELY),
        late=first(LATE),
    )


def reaching(trend: Trend, limit: float, ahead: IntArray) -> FloatArray:
    """Return the probability (m,) of having reached `limit` by days `ahead` (m,), ascending.

    Days count from the last one of a trend with known slope.
    """
    assert trend.slope_per_year is not None
    level_sd, slope_sd, correlation = uncertainty(trend)
    z = np.linspace(-4.5, 4.5, NODES)
    weight = np.exp(-(z**2) / 2)
    slope = trend.slope_per_year + slope_sd * z
    gap = limit - season(trend.curve, trend.last + ahead)
    needed = gap[None, :] - slope[:, None] * ahead[None, :] / YEAR  # level needed, node by day
    least = np.minimum.accumulate(needed, axis=1)
    expected = trend.level + correlation * level_sd * z
    rest = level_sd * math.sqrt(1 - correlation**2)
    above = 0.5 * (1 - _erf((least - expected[:, None]) / (rest * math.sqrt(2))))
    return np.asarray(weight @ above / weight.sum())


def uncertainty(trend: Trend) -> tuple[float, float, float]:
    """Return the standard deviations of level and slope, and their correlation.

    Level is in SWR, slope in SWR per year. The line is best known in the middle of its data and
    turns about that point: the slope contributes to the level at the end over half of the length of
    the data.
    """
    assert trend.slope_low is not None
    assert trend.slope_high is not None
    slope = max((trend.slope_high - trend.slope_low) / (2 * COVERAGE), 1e-9)
    band = float(trend.curve.high[-1] - trend.curve.low[-1])
    level = max(band / (2 * COVERAGE), 1e-9)
    half = (trend.last - trend.since) / (2 * YEAR)
    return level, slope, min(slope * half / level, MOST_CORRELATED)


def season(curve: Curve, day: IntArray) -> FloatArray:
    """Return the contribution of the season on future days (m,).

    It is a wave of a year and one of half a year fitted to the season so far. The contribution of
    weather averages out.
    """
    amplitudes, *_ = np.linalg.lstsq(_waves(curve.day), curve.season, rcond=None)
    return np.asarray(_waves(day) @ amplitudes)


def _waves(day: IntArray) -> FloatArray:
    phase = 2 * np.pi * np.asarray(day, dtype=np.float64)[:, None] / YEAR * np.array([1.0, 2.0])
    return np.hstack([np.ones((len(phase), 1)), np.cos(phase), np.sin(phase)])
