"""The forecast of a channel's daily SWR: what it expects, how surely, and what it learns."""

from __future__ import annotations

import math

import numpy as np
import pytest

from logger.watchdog.baseline_forecast import (
    BaselineForecast,
    learn,
    move,
    predict,
    teach_weather,
    variance_of_change,
)

FIRST = 20_000
YEAR = 365.25


def weather(rng: np.random.Generator, count: int, sd: float, correlation: float) -> np.ndarray:
    rest = sd * rng.standard_normal(count)
    for n in range(1, count):
        rest[n] = correlation * rest[n - 1] + math.sqrt(1 - correlation**2) * rest[n]
    return rest


def taught(swr: np.ndarray, every: int = 1) -> BaselineForecast:
    """A forecast that has learned a value each day, or each second and so on."""
    forecast = BaselineForecast()
    for number, value in enumerate(swr.tolist()):
        learn(forecast, FIRST + every * number, value)
    return forecast


def expect(forecast: BaselineForecast, ahead: float) -> tuple[float, float]:
    """Expectation and standard deviation so many days after the latest."""
    mean, variance = predict(forecast, np.array([forecast.day + ahead]))
    return float(mean[0]), math.sqrt(variance[0])


def test_before_the_first_reading_all_is_open() -> None:
    mean, variance = predict(BaselineForecast(), np.array([1.0, 2.0, 3.0]))
    assert mean.tolist() == [1.5] * 3
    assert variance.tolist() == [1.0] * 3


def test_a_prediction_is_level_slope_and_wave() -> None:
    """By the definition, for a state made by hand."""
    rng = np.random.default_rng(1)
    root = rng.normal(size=(4, 4)) * [0.05, 1e-4, 0.03, 0.03]
    covariance = root.T @ root
    forecast = BaselineForecast(
        mean=[1.5, 2e-4, 0.1, -0.05], covariance=covariance.ravel().tolist(), day=FIRST
    )
    day = FIRST + np.array([0.0, 1.0, 100.0, 400.0])
    mean, variance = predict(forecast, day)
    for at, found, spread in zip(day.tolist(), mean.tolist(), variance.tolist(), strict=True):
        angle = 2 * math.pi * at / 365.25
        row = np.array([1.0, at - FIRST, math.cos(angle), math.sin(angle)])
        assert found == pytest.approx(row @ [1.5, 2e-4, 0.1, -0.05])
        assert spread == pytest.approx(row @ covariance @ row + 0.004**2 * (at - FIRST))


def test_a_steady_level_is_learned_within_days() -> None:
    rng = np.random.default_rng(2)
    forecast = taught(1.4 + weather(rng, 30, 0.03, 0.5))
    mean, sd = expect(forecast, 1)
    assert mean == pytest.approx(1.4, abs=0.04)
    assert 0.008 < sd < 0.05
    assert expect(taught(np.full(3, 1.4)), 1)[0] == pytest.approx(1.4, abs=0.02)


def test_the_further_ahead_the_less_sure() -> None:
    rng = np.random.default_rng(3)
    forecast = taught(1.4 + weather(rng, 700, 0.03, 0.5))
    spreads = [expect(forecast, ahead)[1] for ahead in (0, 1, 30, 120, 365)]
    assert spreads == sorted(spreads)
    assert spreads[0] < 0.03 < spreads[-1] < 0.25


def test_in_the_first_year_the_season_is_open_and_then_it_is_known() -> None:
    rng = np.random.default_rng(4)
    day = np.arange(1100)
    swr = 1.6 + 0.1 * np.cos(2 * np.pi * (FIRST + day) / YEAR) + weather(rng, 1100, 0.02, 0.5)
    young, old = taught(swr[:60]), taught(swr)
    assert expect(young, 180)[1] > 0.1
    assert expect(old, 180)[1] < 0.08
    for ahead in (1, 90, 180, 270):
        truth = 1.6 + 0.1 * math.cos(2 * math.pi * (old.day + ahead) / YEAR)
        assert expect(old, ahead)[0] == pytest.approx(truth, abs=0.04)


def test_a_slope_is_followed() -> None:
    rng = np.random.default_rng(5)
    day = np.arange(1461)
    forecast = taught(1.4 + 0.1 * day / YEAR + weather(rng, 1461, 0.02, 0.3))
    assert forecast.mean[1] * YEAR == pytest.approx(0.1, abs=0.05)
    assert expect(forecast, 1)[0] == pytest.approx(1.8, abs=0.04)


@pytest.mark.parametrize(("sd", "correlation"), [(0.03, 0.5), (0.06, 0.8), (0.05, 0.0)])
def test_the_weather_is_learned(sd: float, correlation: float) -> None:
    found = []
    for seed in range(3):
        rng = np.random.default_rng([6, seed])
        forecast = taught(1.5 + weather(rng, 500, sd, correlation))
        found.append((forecast.deviation, forecast.correlation))
    deviation, related = np.mean(found, axis=0)
    assert deviation == pytest.approx(sd, rel=0.3)
    assert related == pytest.approx(correlation, abs=0.25)


def test_the_weather_of_other_times_fades() -> None:
    """What was learned fades with a memory of 120 days."""
    rng = np.random.default_rng(7)
    loud, quiet = weather(rng, 400, 0.08, 0.3), weather(rng, 400, 0.02, 0.3)
    forecast = taught(1.5 + np.concatenate([loud, quiet]))
    assert forecast.deviation == pytest.approx(0.02, abs=0.012)
    assert 90 < forecast.days <= 120
    assert taught(1.5 + loud).deviation > 0.06


def test_no_channel_is_without_weather() -> None:
    forecast = taught(np.full(600, 1.5))
    assert forecast.deviation == 0.012
    assert 0 <= forecast.correlation <= 0.9
    lasting = taught(1.5 + 0.1 * np.sign(np.sin(np.arange(600) / 30)))
    assert lasting.correlation <= 0.9


def test_a_first_guess_of_the_weather() -> None:
    fresh = BaselineForecast()
    assert fresh.deviation == pytest.approx(0.03)
    assert fresh.correlation == pytest.approx(0.5)


def test_an_outlier_moves_next_to_nothing() -> None:
    rng = np.random.default_rng(8)
    swr = 1.5 + weather(rng, 120, 0.03, 0.3)
    plain, other = taught(swr), taught(np.append(swr, 4.0))
    learn(plain, FIRST + 120, 1.5)
    assert expect(other, 1)[0] == pytest.approx(expect(plain, 1)[0], abs=0.02)
    assert other.deviation < 1.35 * plain.deviation


def test_a_lasting_change_is_followed() -> None:
    rng = np.random.default_rng(9)
    swr = 1.5 + weather(rng, 200, 0.03, 0.3)
    swr[120:] += 0.2
    levels = [expect(taught(swr[:count]), 0)[0] for count in (120, 125, 140, 200)]
    assert levels == sorted(levels)
    assert levels[1] < 1.65
    assert levels[-1] == pytest.approx(1.7, abs=0.05)


def test_days_apart_teach_no_correlation() -> None:
    rng = np.random.default_rng(10)
    forecast = taught(1.5 + weather(rng, 300, 0.05, 0.0), every=3)
    assert forecast.correlation == pytest.approx(0.5, abs=0.12)  # the first guess
    assert taught(1.5 + weather(rng, 300, 0.05, 0.0)).correlation < 0.25


def test_a_level_is_moved_with_its_doubt() -> None:
    forecast = taught(np.full(40, 1.5))
    before, sd = expect(forecast, 0)
    move(forecast, 0.2, 0.03**2)
    after, wider = expect(forecast, 0)
    assert after - before == pytest.approx(0.2)
    assert wider**2 - sd**2 == pytest.approx(0.03**2)
    empty = BaselineForecast()
    move(empty, 0.2, 0.1)
    assert empty == BaselineForecast()


def test_an_innovation_counts_by_how_well_it_was_expected() -> None:
    """Where the forecast itself is unsure, an innovation says less of the weather."""
    sure, unsure = BaselineForecast(), BaselineForecast()
    for day in range(40):
        teach_weather(sure, day, 0.05 * (-1) ** day, 0.0)
        teach_weather(unsure, day, 0.05 * (-1) ** day, 0.03**2)
    assert sure.deviation > unsure.deviation > 0.025
    assert sure.correlation < unsure.correlation < 0.5
    assert sure.days > unsure.days


@pytest.mark.parametrize("reading", [1.5, 1.7, 3.0])
def test_a_reading_is_learned_as_by_bayes(reading: float) -> None:
    """Against the information form: precisions add up. An outlier has the noise of Student's t."""
    rng = np.random.default_rng(11)
    root = rng.normal(size=(4, 4)) * [0.05, 1e-4, 0.03, 0.03]
    mean, covariance = np.array([1.5, 2e-4, 0.1, -0.05]), root.T @ root + 1e-9 * np.eye(4)
    forecast = BaselineForecast(
        mean=mean.tolist(), covariance=covariance.ravel().tolist(), day=FIRST, days=30.0,
        squares=30 * 0.04**2, products=30 * 0.04**2 * 0.6,
    )  # fmt: skip
    day = FIRST + 5
    weather, related = forecast.deviation**2, forecast.correlation
    grow = np.eye(4)
    grow[0, 1] = 5.0
    wander = np.zeros((4, 4))
    wander[0, 0] = 5 * 0.004**2
    prior, spread = grow @ mean, grow @ covariance @ grow.T + wander
    row = np.array(
        [1.0, 0.0, math.cos(2 * math.pi * day / YEAR), math.sin(2 * math.pi * day / YEAR)]
    )
    off2 = (reading - row @ prior) ** 2 / (weather + row @ spread @ row)
    noise = weather * (1 + related) / (1 - related) * (4 + off2) / 5
    precision = np.linalg.inv(spread) + np.outer(row, row) / noise
    expected = np.linalg.solve(precision, np.linalg.solve(spread, prior) + row * reading / noise)
    learn(forecast, day, reading)
    assert forecast.mean == pytest.approx(expected, abs=1e-8)
    found = np.reshape(forecast.covariance, (4, 4))
    np.testing.assert_allclose(found, np.linalg.inv(precision), rtol=1e-4, atol=1e-11)
    assert forecast.day == day


def test_the_first_reading_meets_what_stations_are_in_general() -> None:
    """A level of 1.5 +- 1, slopes and waves of 0.1; 0.03 of weather that lasts for a day or two."""
    forecast = BaselineForecast()
    learn(forecast, FIRST, 1.8)
    spread = 1.0 + 0.1**2
    noise = 0.03**2 * 3 * (4 + 0.09 / (spread + 0.03**2)) / 5
    gain = 1 / (spread + noise)
    assert forecast.mean[0] == pytest.approx(1.5 + 0.3 * gain, abs=1e-6)
    assert forecast.mean[1] == 0.0
    assert forecast.covariance[0] == pytest.approx(1 - gain, rel=1e-3)
    assert forecast.covariance[5] == pytest.approx((0.1 / YEAR) ** 2, rel=1e-4)
    angle = 2 * math.pi * FIRST / YEAR
    assert forecast.covariance[10] == pytest.approx(0.01 - (0.01 * math.cos(angle)) ** 2 * gain)


def test_how_far_an_error_of_the_forecast_may_change() -> None:
    """Slope, random walk and the steepest part of a wave of 0.1."""
    forecast = BaselineForecast(
        mean=[1.5, 0.0, 0.0, 0.0],
        covariance=np.diag([0.3, 1e-8, 0.0, 0.0]).ravel().tolist(),
        day=FIRST,
    )
    for days in (0.0, 10.0, 40.0):
        steepest = 2 * math.pi * 0.1 / YEAR * days
        expected = 1e-8 * days**2 + 0.004**2 * days + steepest**2
        assert variance_of_change(forecast, FIRST + 3, FIRST + 3 + days) == pytest.approx(expected)
    forecast.covariance = np.diag([0.3, 0.0, 0.04, 0.01]).ravel().tolist()
    half = YEAR / 2  # from crest to trough of the cosine
    crest = round(FIRST / YEAR) * YEAR
    swing = 0.04 * 4 + 0.004**2 * half + (math.pi * 0.1) ** 2
    assert variance_of_change(forecast, crest, crest + half) == pytest.approx(swing, rel=1e-6)
    assert variance_of_change(BaselineForecast(), 1.0, 2.0) == 0.0


def test_innovations_one_by_one() -> None:
    """Weights, clipped at four deviations; a pair of successive days tells the correlation."""
    forecast = BaselineForecast(day=FIRST)
    teach_weather(forecast, FIRST + 1, 0.02, 0.0)
    assert (forecast.days, forecast.innovation) == (1.0, 0.02)
    assert (forecast.squares, forecast.products) == pytest.approx((4e-4, 0.0))
    forecast.day = FIRST + 1
    before, fade = forecast.deviation, 1 - 1 / 120
    teach_weather(forecast, FIRST + 2, 9.0, before**2)  # half of it is the forecast's own error
    cut = 4 * before * math.sqrt(2)
    assert forecast.innovation == pytest.approx(cut)
    assert forecast.days == pytest.approx(fade + 0.5)
    assert forecast.squares == pytest.approx(4e-4 * fade + cut**2 / 4)
    assert forecast.products == pytest.approx(0.02 * cut / 4)
    forecast.day, products = FIRST + 2, forecast.products
    teach_weather(forecast, FIRST + 4, -9.0, 0.0)  # a day is missing: nothing new on it
    least = forecast.innovation
    assert least < 0
    assert products * fade < forecast.products < products * fade + 0.9 * least**2
