"""The trend of a channel: invented stations with their truth, outside data, and the odd station."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import ruptures
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from logger.daily import Days, FloatArray, IntArray, Weather, WorkEvent
from logger.trend import model, regression
from logger.trend.model import trend
from logger.trend.outcome import Slope, Trend
from logger.trend.regression import RegressionFit
from logger.trend.steps import certainty, search
from tests.drift_stations import FIRST_DAY, YEAR, drift_station
from tests.examples import examples

REFERENCES = Path(__file__).parent / "references"


def days(day: IntArray, swr: FloatArray) -> Days:
    n = len(day)
    ones = np.ones(n, dtype=np.int64)
    return Days(20, 27205.0, day, swr, np.full(n, 0.02), 10 * ones, np.full(n, 4.0), ones)


def of(values: FloatArray, events: tuple[WorkEvent, ...] = ()) -> Trend:
    """The trend of a value a day."""
    return trend(days(FIRST_DAY + np.arange(len(values)), values), events)


def test_most_verdicts_are_right() -> None:
    """A part of `python -m tests.bench.trend`, which has the figures."""
    rng = np.random.default_rng(11)
    covered = found = large = 0
    for _ in range(8):
        station = drift_station(rng)
        told = trend(station.days, station.events, station.weather)
        assert told.slope_low is not None
        assert told.slope_high is not None
        covered += told.slope_low <= station.slope <= told.slope_high
        for step in station.steps:
            large += abs(step.size) >= 0.15
            found += abs(step.size) >= 0.15 and any(
                abs(each.day - step.day) <= 7 for each in told.steps
            )
    assert covered >= 7
    assert found >= large - 1 > 2


def test_journal_work_is_named_and_dated() -> None:
    rng = np.random.default_rng(3)
    values = 1.4 + rng.normal(0, 0.02, 800) + 0.3 * (np.arange(800) >= 500)
    at = FIRST_DAY + 500
    events = (
        WorkEvent(FIRST_DAY + 200, "repair", "new plug"),  # changed nothing
        WorkEvent(at, "calibration", "calibration 7a21"),
    )
    told = of(values, events)
    (step,) = told.steps
    assert (step.day, step.day_low, step.day_high) == (at, at, at)
    assert step.explained_by == "calibration 7a21"
    assert step.new_level - step.old_level == pytest.approx(0.3, abs=0.02)
    assert told.since == at
    assert told.verdict == "steady"
    unannounced = of(values)
    assert unannounced.verdict == "stepped"
    assert unannounced.steps[0].explained_by is None
    assert unannounced.steps[0].day_low <= at <= unannounced.steps[0].day_high


def test_days_that_hang_together_widen_the_slope(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(12)
    values = 1.5 + lfilter([0.02], [1, -0.7], rng.standard_normal(800))
    slopes: list[Slope] = []
    monkeypatch.setattr(model, "verdict", lambda slope, *_: slopes.append(slope) or "steady")
    for factor in (1.0, 4.0):
        monkeypatch.setattr(RegressionFit, "slow", lambda *_, factor=factor: factor)
        correlation = of(values).correlation
    narrow, wide = slopes
    assert wide.error == pytest.approx(2 * narrow.error)
    alike = (1 - correlation) / (1 + correlation)
    assert narrow.freedom == pytest.approx(795 * alike, rel=0.02)
    assert alike < 0.3


def test_correlation_over_months_widens_the_interval() -> None:
    day = FIRST_DAY + np.arange(900)
    columns = np.column_stack([np.ones(900), np.linspace(-1, 1, 900)])
    rng = np.random.default_rng(13)
    slow = np.repeat(rng.normal(0, 0.02, 20), 45) + rng.normal(0, 0.02, 900)
    assert regression.fit(day, slow, columns).slow(day, 1, 45) > 1.1


def test_no_slope_from_less_than_a_year() -> None:
    rng = np.random.default_rng(4)
    told = of(1.3 + np.arange(300) * 1e-3 + rng.normal(0, 0.02, 300))
    assert told.slope_per_year is told.season_amplitude is told.second_opinion is None
    assert told.verdict == "undecided"
    assert "takes a year" in told.reasons[0]


@pytest.mark.parametrize("count", [1, 2, 3, 9, 19, 40])
def test_a_few_days_give_a_level(count: int) -> None:
    told = of(np.full(count, 1.5))
    assert told.level == pytest.approx(1.5)
    assert told.days == count
    assert told.steps == ()
    assert np.isfinite(told.curve.swr).all()


def test_years_without_any_change() -> None:
    told = of(np.full(1100, 1.5))
    assert told.verdict == "steady"
    assert told.slope_per_year == pytest.approx(0.0, abs=1e-6)


def test_open_days_are_set_aside() -> None:
    rng = np.random.default_rng(5)
    values = 1.4 + rng.normal(0, 0.02, 900)
    values[[100, 333, 334, 700]] = 999.0
    told = of(values)
    assert told.verdict == "steady"
    assert told.level == pytest.approx(1.4, abs=0.02)
    assert any("4 days left out" in reason for reason in told.reasons)


def test_weather_that_nobody_wrote_down() -> None:
    rng = np.random.default_rng(6)
    values = days(FIRST_DAY + np.arange(800), 1.4 + rng.normal(0, 0.02, 800))
    nothing = np.full(800, np.nan)
    told = trend(values, (), Weather(values.day, nothing, nothing, nothing))
    assert told.level == trend(values).level
    assert trend(values, (), Weather(values.day[:0], *3 * [nothing[:0]])).level == told.level


@examples(10)
@given(st.data())
def test_any_days_give_a_trend(data: st.DataObject) -> None:
    chosen = data.draw(st.lists(st.integers(0, 1500), min_size=1, max_size=60, unique=True))
    day = np.array(sorted(chosen), dtype=np.int64)
    swr = data.draw(st.lists(st.floats(1.0, 1000.0), min_size=len(day), max_size=len(day)))
    at = data.draw(st.lists(st.integers(-10, 1510), max_size=3))
    told = trend(days(day, np.array(swr)), [WorkEvent(each, "repair", "") for each in at])
    assert np.isfinite([told.level, told.noise, told.correlation]).all()
    assert len(told.curve.day) == day[-1] - day[0] + 1
    assert all(each.day_low <= each.day <= each.day_high for each in told.steps)


@pytest.mark.parametrize("first", [1.0, 10.0])
def test_a_first_day_set_aside_is_on_the_curve(first: float) -> None:
    """Found by the test before this one; the first day, or the sixth, is an outlier."""
    day = np.array([0, 1, 2, 3, 24, 39, 78, 484, 768])
    told = trend(days(day, np.array([first, 1, 1, 2, 1, 11 - first, 2, 1, 1])))
    assert (told.since, told.curve.day[0], told.curve.day[-1]) == (0, 0, 768)
    assert np.isfinite(told.curve.swr).all()


def test_the_nile_changed_after_1898() -> None:
    """G. W. Cobb, Biometrika 65 (1978) 243; the table says what other programs find."""
    table = np.loadtxt(REFERENCES / "nile.csv", delimiter=",", skiprows=4)
    year, flow = table[:, 0].astype(np.int64), table[:, 1]
    level = np.ones((len(year), 1))
    assert search(year, flow, level, []) == [1899]
    low, high = certainty(year, flow, level, [], 1899)
    assert low <= 1898 <= high


@pytest.mark.parametrize("seed", [0, 2, 5])
def test_a_step_must_explain_a_chi_square_of_twenty(seed: int) -> None:
    """Noise of exactly unit variance, with no share of the step, which then explains what it is
    given: the square of its size over that of its standard error."""
    rng = np.random.default_rng(seed)
    day = FIRST_DAY + np.arange(200)
    step = np.where(day >= FIRST_DAY + 100, 0.5, -0.5)
    noise = rng.standard_normal(200)
    noise -= noise.mean() + step * (noise @ step) / (step @ step)
    noise /= noise.std(ddof=2)

    def count_steps(explained: float) -> int:
        value = 1.5 + 0.05 * (noise + step * np.sqrt(explained / (step @ step)))
        return len(search(day, value, np.ones((200, 1)), []))

    assert [count_steps(18.0), count_steps(22.0)] == [0, 1]


@pytest.mark.parametrize(("first", "last"), [(1974, 1983), (1980, 1989)])
def test_carbon_dioxide_on_mauna_loa_rises_and_breathes(first: int, last: int) -> None:
    """Weekly values (C. D. Keeling and T. P. Whorf, as statsmodels has them) against the ordinary
    least squares and the seasonal decomposition of statsmodels; 50 ppm are drawn as 1 in SWR."""
    import statsmodels.api as sm  # takes seconds

    series = sm.datasets.co2.load_pandas().data["co2"]
    weeks = series[str(first) : str(last)].interpolate()
    day = weeks.index.to_numpy().astype("datetime64[D]").astype(np.int64)
    told = trend(days(day, 1 + (weeks.to_numpy() - 300) / 50))
    assert told.verdict == "rising"
    assert told.slope_per_year is not None
    assert told.season_amplitude is not None
    assert told.second_opinion is not None
    angle = 2 * np.pi * day / YEAR
    waves = [wave(k * angle) for k in (1, 2) for wave in (np.sin, np.cos)]
    theirs = sm.OLS(weeks.to_numpy(), np.column_stack([np.ones(len(day)), day / YEAR, *waves]))
    assert 50 * told.slope_per_year == pytest.approx(theirs.fit().params[1], rel=0.1)
    assert 50 * told.second_opinion.slope_per_year == pytest.approx(theirs.fit().params[1], rel=0.1)
    season = sm.tsa.seasonal_decompose(weeks, period=52).seasonal
    assert 50 * told.season_amplitude == pytest.approx(np.ptp(season) / 2, rel=0.15)


@pytest.mark.nightly
@pytest.mark.parametrize("seed", range(2))
def test_change_points_are_those_of_ruptures(seed: int) -> None:
    """On its own generator of constant stretches, against its exact search for so many changes:
    the same ones, within our interval of days, and mostly on the same day."""
    signal, planted = ruptures.pw_constant(400, 1, 3, noise_std=1.0, seed=seed)
    day, value, level = np.arange(400), signal[:, 0], np.ones((400, 1))
    found = search(day, value, level, [])
    exact = ruptures.Dynp(model="l2", min_size=5, jump=1).fit(value).predict(n_bkps=3)[:-1]
    assert len(found) == len(exact)
    for first, theirs, truth in zip(found, exact, planted, strict=False):
        others = [each for each in found if each != first]
        low, high = certainty(day, value, level, others, first)
        assert low <= theirs <= high
        assert low <= truth <= high
        assert abs(first - theirs) <= 4
