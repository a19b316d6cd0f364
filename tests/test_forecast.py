"""Forecasts: when a channel reaches the limit, against simulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logger.trend.forecast import forecast, reaching, season, uncertainty
from logger.trend.outcome import Step, Trend
from tests.trends import FIRST, YEAR, days, fitted

THREE_YEARS = 1096


def drawn(trend: Trend, limit: float, ahead: np.ndarray, count: int = 40_000) -> np.ndarray:
    """The share of simulated futures that have reached the limit, day by day."""
    rng = np.random.default_rng(3)
    level_sd, slope_sd, correlation = uncertainty(trend)
    covariance = correlation * level_sd * slope_sd
    level, slope = rng.multivariate_normal(
        [trend.level, trend.slope_per_year],
        [[level_sd**2, covariance], [covariance, slope_sd**2]],
        count,
    ).T
    wave = season(trend.curve, trend.last + ahead)
    paths = level[:, None] + slope[:, None] * ahead / YEAR + wave
    return np.asarray((np.maximum.accumulate(paths, axis=1) >= limit).mean(axis=0))


@pytest.mark.parametrize("slope", [0.0, 0.08, 0.3])
@pytest.mark.parametrize("limit", [1.75, 2.0, 3.0])
def test_the_probability_is_that_of_simulated_futures(slope: float, limit: float) -> None:
    trend = fitted(days(THREE_YEARS, slope=slope, seed=4))
    ahead = np.arange(0, trend.last - trend.since, 14)
    assert np.abs(reaching(trend, limit, ahead) - drawn(trend, limit, ahead)).max() < 0.02


def test_stations_reach_the_limit_as_often_as_forecast() -> None:
    """Stations whose true slope and level are drawn: over all of them the mean probability is the
    share that crosses, and those said to be likelier cross more often."""
    rng = np.random.default_rng(8)
    said, crossed = [], []
    for seed in range(150):
        slope = rng.uniform(0.0, 0.25)
        trend = fitted(days(800, slope=slope, seed=seed, correlation=0.0, used=1.0, noise=0.3))
        limit = rng.uniform(1.9, 2.8)
        told = forecast(trend, limit)
        assert told.probability is not None
        assert told.horizon is not None
        at = np.arange(trend.last, told.horizon + 1)
        truth = 1.5 + slope * (at - FIRST) / YEAR + 0.1 * np.cos(2 * np.pi * at / YEAR)
        said.append(told.probability)
        crossed.append(bool((truth >= limit).any()))
    p, y = np.array(said), np.array(crossed)
    doubt = np.sqrt((p * (1 - p)).sum()) / len(p)
    assert abs(p.mean() - y.mean()) < 3 * doubt
    for low, high in ((0.0, 0.2), (0.2, 0.8), (0.8, 1.01)):
        some = (p >= low) & (p < high)
        slack = 3 * np.sqrt((p[some] * (1 - p[some])).sum()) / some.sum()
        assert abs(p[some].mean() - y[some].mean()) < slack + 0.02


def test_days_come_in_order_and_not_beyond_the_horizon() -> None:
    trend = fitted(days(THREE_YEARS, slope=0.3, seed=1))
    told = forecast(trend, 2.9)
    assert told.horizon == trend.last + (trend.last - trend.since)
    assert told.early is not None
    assert told.likely is not None
    assert trend.last < told.early <= told.likely <= (told.late or told.horizon) <= told.horizon
    truth = FIRST + (2.9 - 1.5 - 0.1) / 0.3 * YEAR  # at the season's top
    assert abs(told.likely - truth) < 200
    far = forecast(trend, 5.0)
    assert far.probability is not None
    assert far.probability < 0.001
    assert (far.early, far.likely, far.late) == (None, None, None)
    there = forecast(trend, 1.6)
    assert there.probability == pytest.approx(1)
    assert there.likely == trend.last


def test_a_season_reaches_the_limit_before_the_level_does() -> None:
    with_season = fitted(days(THREE_YEARS, slope=0.1, amplitude=0.2, seed=2))
    without = replace(with_season, curve=replace(with_season.curve, season=np.zeros(THREE_YEARS)))
    first, second = (forecast(trend, 2.2).likely for trend in (with_season, without))
    assert first is not None
    assert second is None or first < second


def test_no_forecast_from_less_than_a_year() -> None:
    short = forecast(fitted(days(300)), 3.0)
    assert (short.probability, short.likely, short.horizon) == (None, None, None)
    assert short.reason == "the slope is unknown"
    used = days(900, step=(700, 0.3))
    day = FIRST + 700
    stepped = fitted(used, Step(day, day - 3, day + 3, 1.5, 1.8, None))
    assert forecast(stepped, 3.0).reason == "the present level has lasted less than a year"


def test_a_steeper_slope_goes_with_a_higher_level() -> None:
    """A straight line's level at its end and its slope have the correlation sqrt(3) / 2; what is
    not known of the season makes it less."""
    level, slope, correlation = uncertainty(fitted(days(THREE_YEARS, amplitude=0.0, seed=6)))
    assert 0.6 < correlation < 0.9
    assert level < slope * THREE_YEARS / YEAR
