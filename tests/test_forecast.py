"""Forecasts: when a channel reaches the limit, against simulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

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


# --- small cases in closed form ---


def line(
    level: float = 1.5, slope: float = 0.2, level_sd: float = 1e-6, slope_sd: float = 1e-6
) -> Trend:
    """A trend of four years without a season, at its end."""
    whole = fitted(days(1462, used=1.0))
    curve = whole.curve
    return replace(
        whole,
        level=level,
        slope_per_year=slope,
        slope_low=slope - 1.96 * slope_sd,
        slope_high=slope + 1.96 * slope_sd,
        curve=replace(
            curve,
            swr=np.full(len(curve.day), level),
            low=np.full(len(curve.day), level - 1.96 * level_sd),
            high=np.full(len(curve.day), level + 1.96 * level_sd),
            season=np.zeros(len(curve.day)),
        ),
    )


def test_what_is_known_for_sure_is_reached_when_it_is() -> None:
    found = forecast(line(), 1.8)  # 0.3 at 0.2 a year
    days_ = 1.5 * YEAR
    assert found.probability == pytest.approx(1.0)
    assert found.early is not None
    assert found.likely is not None
    assert found.late is not None
    assert found.early <= found.likely <= found.late <= found.early + 7
    assert abs(found.likely - found_last() - days_) <= 7  # the stride
    assert found.horizon == found_last() + 1461
    assert forecast(line(), 2.31).probability == pytest.approx(0.0)  # 0.8 in four years
    assert forecast(line(), 2.29).probability == pytest.approx(1.0)
    assert forecast(line(slope=-0.2), 1.6).probability == pytest.approx(0.0)


def found_last() -> int:
    return FIRST + 1461


@pytest.mark.parametrize("years", [0.0, 0.5, 2.0, 4.0])
def test_an_uncertain_level_or_slope_is_normal(years: float) -> None:
    ahead = np.array([0, round(years * YEAR)])
    found = reaching(line(level_sd=0.1), 1.7, ahead)
    expected = norm.cdf((1.5 + 0.2 * ahead / YEAR - 1.7) / 0.1)
    assert found == pytest.approx(expected, abs=2e-3)
    if years:
        found = reaching(line(slope=0.1, slope_sd=0.08), 1.7, ahead)
        needed = 0.2 / (ahead[1] / YEAR)
        assert found[1] == pytest.approx(norm.cdf((0.1 - needed) / 0.08), abs=0.02)


def test_a_sure_slope_and_an_uncertain_level_by_the_day() -> None:
    """A tenth, a half and nine tenths: 1.28 deviations on either side."""
    found = forecast(line(level_sd=0.05), 1.8)
    for day, off in ((found.early, -1.2816), (found.likely, 0.0), (found.late, 1.2816)):
        assert day is not None
        assert abs(day - found_last() - (0.3 + off * 0.05) / 0.2 * YEAR) < 8


def test_level_and_slope_hang_together_over_half_of_the_data() -> None:
    assert uncertainty(line(level_sd=0.1, slope_sd=0.02)) == pytest.approx(
        (0.1, 0.02, 0.02 * 1461 / (2 * YEAR) / 0.1), rel=1e-6
    )
    assert uncertainty(line(level_sd=0.01, slope_sd=0.02))[2] == 0.99


def test_the_season_so_far_goes_on() -> None:
    day = FIRST + np.arange(1462)

    def wave(at: np.ndarray) -> np.ndarray:
        angle = 2 * np.pi * at / YEAR
        return 0.1 * np.cos(angle) - 0.05 * np.sin(angle) + 0.03 * np.cos(2 * angle) + 0.02

    curve = replace(line().curve, season=wave(day))
    ahead = found_last() + np.arange(0, 1461, 50)
    np.testing.assert_allclose(season(curve, ahead), wave(ahead), atol=1e-9)


@pytest.mark.parametrize(("days_", "known"), [(365, False), (366, True)])
def test_a_level_must_have_lasted_a_year(days_: int, known: bool) -> None:
    found = forecast(replace(line(), since=found_last() - days_), 1.8)
    assert (found.reason is None) == known
    if known:
        assert found.horizon == found_last() + 366
        assert found.probability == pytest.approx(0.0)
