"""The parts of a trend, each against dense linear algebra, another library or planted values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logger.daily import Days, FloatArray, IntArray, Weather, WorkEvent
from logger.rows import Alarm, AlarmKind, Severity
from logger.trend.account import (
    Account,
    ChannelAccount,
    JournalEntry,
    channel_name,
    date,
    name_channels,
)
from logger.trend.design import YEAR, frame, step_columns
from logger.trend.model import trend
from logger.trend.outcome import SecondOpinion, Slope, Step
from logger.trend.outliers import plausible
from logger.trend.regression import fit
from logger.trend.steps import certainty, gains, search
from logger.trend.verdict import verdict

FIRST = 20_000


def days_of(day: IntArray, swr: FloatArray) -> Days:
    """Daily values of channel 20."""
    ones = np.ones(len(day), dtype=np.int64)
    return Days(20, 27205.0, day, swr, 0.02 * ones, 10 * ones, 4.0 * ones, ones)


def correlated(rng: np.random.Generator, day: IntArray, correlation: float) -> FloatArray:
    """Departures of unit variance, with bounded news: nothing is an outlier."""
    rest = rng.uniform(-1, 1, len(day)) * np.sqrt(3)
    for n in range(1, len(day)):
        keep = correlation ** float(day[n] - day[n - 1])
        rest[n] = keep * rest[n - 1] + np.sqrt(1 - keep**2) * rest[n]
    return rest


# --- regression ---


def dense(
    day: IntArray, value: FloatArray, columns: FloatArray, correlation: float
) -> tuple[FloatArray, FloatArray, float, float]:
    """Generalised least squares with the whole covariance matrix of the days: estimate, its
    covariance, noise, and -2 log of the restricted likelihood."""
    covariance = correlation ** np.abs(day[:, None] - day).astype(float)
    inverse = np.linalg.inv(covariance)
    normal = columns.T @ inverse @ columns
    estimate = np.linalg.solve(normal, columns.T @ inverse @ value)
    rest = value - columns @ estimate
    freedom = len(day) - columns.shape[1]
    loss = float(rest @ inverse @ rest)
    deviance = (
        freedom * np.log(loss) + np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(normal)[1]
    )
    return estimate, loss / freedom * np.linalg.inv(normal), np.sqrt(loss / freedom), deviance


@pytest.mark.parametrize("seed", range(3))
def test_regression_is_generalised_least_squares(seed: int) -> None:
    rng = np.random.default_rng(seed)
    day = FIRST + np.flatnonzero(rng.random(150) < 0.6)
    columns = np.column_stack([np.ones(len(day)), (day - day.mean()) / 100, np.sin(day / 9)])
    value = columns @ [1.5, 0.2, -0.1] + 0.05 * correlated(rng, day, 0.6)
    fitted = fit(day, value, columns)
    estimate, covariance, noise, deviance = dense(day, value, columns, fitted.correlation)
    np.testing.assert_allclose(fitted.estimate, estimate, rtol=1e-9)
    np.testing.assert_allclose(fitted.covariance, covariance, rtol=1e-9)
    np.testing.assert_allclose(fitted.deviation**2, np.diag(covariance), rtol=1e-9)
    np.testing.assert_allclose(fitted.residual, value - columns @ estimate, atol=1e-12)
    assert fitted.noise == pytest.approx(noise)
    assert fitted.freedom == len(day) - 3
    # The likelihood is flat at its top: the parabola through three of a grid is near enough.
    others = [dense(day, value, columns, r)[-1] for r in np.arange(0.1, 0.95, 0.05)]
    assert deviance < min(others) + 0.02


def test_nothing_is_correlated_where_each_day_contradicts_the_last() -> None:
    day = np.arange(60)
    value = np.where(day % 2, 1.4, 1.6)
    assert fit(day, value, np.ones((60, 1))).correlation == 0.0


def test_very_lasting_departures_reach_the_end_of_the_grid() -> None:
    day = np.arange(400)
    rng = np.random.default_rng(3)
    walk = np.cumsum(rng.uniform(-1, 1, 400))
    assert fit(day, walk, np.ones((400, 1))).correlation == pytest.approx(0.98)


def test_outliers_pull_an_estimate_by_no_more_than_huber_lets_them() -> None:
    """Against the robust regression of statsmodels, without correlation."""
    import statsmodels.api as sm  # takes seconds

    rng = np.random.default_rng(5)
    day = 40 * np.arange(120)  # too far apart to hang together
    value = 1.5 + 0.05 * rng.standard_normal(120)
    value[[7, 50, 90]] += 3.0
    columns = np.column_stack([np.ones(120), np.linspace(-1, 1, 120)])
    fitted = fit(day, value, columns)
    theirs = sm.RLM(value, columns, M=sm.robust.norms.HuberT(t=2.5)).fit()
    plain = sm.OLS(value, columns).fit()
    np.testing.assert_allclose(fitted.estimate, theirs.params, atol=0.006)
    assert abs(plain.params[0] - 1.5) > 10 * abs(fitted.estimate[0] - theirs.params[0])
    assert fitted.whitening.weight[[7, 50, 90]].max() < 0.3
    assert np.delete(fitted.whitening.weight, [7, 50, 90]).mean() > 0.98


def test_the_doubt_of_blocks_is_that_of_clusters() -> None:
    """Against the cluster-robust covariance of statsmodels."""
    import statsmodels.api as sm  # takes seconds

    rng = np.random.default_rng(6)
    day = FIRST + np.arange(400)
    flicker = np.where(day % 2, 0.05, -0.05)  # no two days in a row hang together
    value = 1.5 + flicker + np.repeat(rng.normal(0, 0.03, 20), 20)
    columns = np.column_stack([np.ones(400), np.linspace(-1, 1, 400)])
    fitted = fit(day, value, columns)
    assert fitted.correlation == 0.0
    theirs = sm.OLS(value, columns).fit(
        cov_type="cluster", cov_kwds={"groups": np.arange(400) // 20, "use_correction": False}
    )
    for column in (0, 1):
        slow = fitted.slow(day, column, 20)
        assert slow > 2
        assert slow * fitted.deviation[column] ** 2 == pytest.approx(
            theirs.bse[column] ** 2 * 20 / 18
        )
    assert fitted.slow(day, 0, 2) == 1.0  # pairs of days cancel: no surer than single days


# --- steps ---


@pytest.mark.parametrize("correlation", [0.0, 0.5])
def test_gain_of_a_step_is_the_reduction_of_the_sum_of_squares(correlation: float) -> None:
    rng = np.random.default_rng(7)
    day = FIRST + np.flatnonzero(rng.random(90) < 0.7)
    columns = np.column_stack([np.ones(len(day)), (day - day.mean()) / 30])
    value = 1.5 + 0.05 * correlated(rng, day, correlation) + 0.1 * (day >= FIRST + 40)
    fitted = fit(day, value, columns)
    gain = gains(day, fitted)
    white = fitted.whitening
    design, target = white(columns), white(value) / fitted.noise

    def loss(matrix: FloatArray) -> float:
        return float(np.linalg.lstsq(matrix, target, rcond=None)[1][0])

    for at in range(1, len(day)):
        step = white(step_columns(day, [int(day[at])]))
        explained = loss(design) - loss(np.hstack([design, step]))
        assert gain[at] == pytest.approx(explained, rel=1e-6, abs=1e-9)
    assert gain[0] == pytest.approx(0, abs=1e-6)  # a step at the first day is the level


def flat(count: int, seed: int = 0, noise: float = 0.02) -> FloatArray:
    return 1.5 + np.random.default_rng(seed).normal(0, noise, count)


def found_in(value: FloatArray, known: tuple[int, ...] = ()) -> list[int]:
    day = np.arange(len(value))
    return search(day, value, np.ones((len(value), 1)), known)


@pytest.mark.parametrize(("at", "steps"), [(4, []), (5, [5]), (95, [95]), (96, [])])
def test_a_step_needs_five_days_on_either_side(at: int, steps: list[int]) -> None:
    assert found_in(flat(100) + 0.5 * (np.arange(100) >= at)) == steps


def test_steps_smaller_than_the_weather_are_left_out() -> None:
    day = np.arange(200)
    found = [found_in(flat(200, noise=0.002) + size * (day >= 90)) for size in (0.025, 0.035)]
    assert found == [[], [90]]
    assert found_in(flat(200, noise=0.002) - 0.035 * (day >= 90)) == [90]


def test_steps_up_and_down_and_known_ones() -> None:
    day = np.arange(240)
    value = flat(240) + 0.3 * (day >= 60) - 0.5 * (day >= 130) + 0.4 * (day >= 190)
    assert found_in(value) == [60, 130, 190]
    assert found_in(value, (130,)) == [60, 190]
    assert found_in(value[:16]) == []  # too few days for a step with room


def test_eleven_steps() -> None:
    day = np.arange(600)
    value = flat(600) + 0.3 * ((day // 50) % 2)
    assert found_in(value) == [*range(50, 600, 50)]


def test_jumps_that_decay_are_no_steps() -> None:
    """A plug gets wet now and then and dries for weeks: each jump is large, none lasts."""
    rng = np.random.default_rng(4)
    value = flat(700, noise=0.004)
    for at in (80, 200, 290, 430, 540, 610):
        value[at:] += rng.uniform(0.1, 0.2) * np.exp(-np.arange(700 - at) / 25)
    assert found_in(value) == []
    assert found_in(value + 0.3 * (np.arange(700) >= 360)) == [360]


def test_since_when_a_step_may_have_been() -> None:
    """A plain step after days without readings may have come on any of those."""
    day = np.concatenate([np.arange(40), np.arange(52, 100)])
    value = flat(88) + 1.0 * (day >= 52)
    columns = np.ones((88, 1))
    assert certainty(day, value, columns, [], 52) == (40, 52)
    assert certainty(day, value, columns, [30, 70], 52) == (40, 52)


@pytest.mark.parametrize("seed", range(6))
def test_the_likely_days_of_a_step_are_those_of_its_likelihood(seed: int) -> None:
    """Readings too far apart to hang together: by the definition, over all days."""
    day, columns = 400 * np.arange(60), np.ones((60, 1))
    value = np.random.default_rng(seed).uniform(-1.7, 1.7, 60) + 1.5 * (np.arange(60) >= 30)
    spread = float(value.std(ddof=1))
    parts = [(value[:at], value[at:]) for at in range(1, 60)]
    loss = np.array([sum(float(((x - x.mean()) ** 2).sum()) for x in each) for each in parts])
    likely = np.exp(-(loss - loss.min()) / (2 * spread**2))
    order = np.argsort(-likely)
    chosen = order[: int(np.argmax(np.cumsum(likely[order]) >= 0.95 * likely.sum())) + 1]
    best = 400 * (int(np.argmax(likely)) + 1)
    low, high = certainty(day, value, columns, [], best)
    assert (low, high) == (400 * chosen.min() + 1, 400 * (chosen.max() + 1))
    others = [best - 1200, best + 1200]  # nothing beyond its neighbours
    low, high = certainty(day, value, columns, others, best)
    assert best - 1200 < low <= best <= high < best + 1200


# --- outliers ---


@pytest.mark.parametrize(
    ("places", "set_aside"),
    [
        ([20], True),
        ([20, 21], True),
        ([20, 22, 24], True),
        ([*range(20, 35)], True),  # ice for two weeks
        ([*range(20, 36)], False),
        ([0], True),
        ([58], True),
        ([59], False),
        ([58, 59], False),
    ],
)
def test_days_far_off_are_set_aside_if_the_level_comes_back(
    places: list[int], set_aside: bool
) -> None:
    for sign in (-0.4, 0.4):
        value = flat(60)
        value[places] += sign
        expected = np.ones(60, dtype=bool)
        expected[places] = not set_aside
        assert plausible(np.arange(60), value).tolist() == expected.tolist()


def test_days_a_little_off_are_kept() -> None:
    for count, size, kept in (
        (40, 0.09, True),
        (40, 0.11, False),
        (41, 0.04, True),
        (41, 0.06, False),
    ):
        value = np.full(count, 1.5)
        value[20] += size
        assert plausible(np.arange(count), value)[20] == kept


def test_a_month_far_off_is_kept_however_few_its_readings() -> None:
    for last, kept in ((131, False), (132, True)):
        day = np.concatenate([np.arange(100), [101, 110, last], np.arange(133, 200)])
        value = np.full(len(day), 1.5) + 0.5 * ((day > 100) & (day < 133))
        assert plausible(day, value)[100:103].all() == kept


def test_a_restless_channel_sets_less_aside() -> None:
    value = flat(400, seed=1, noise=0.1)
    around = np.abs(value - np.median(value))
    sd = 1.4826 * float(np.median(around))
    for sigmas, kept in ((5.5, True), (9.5, False)):
        value[200] = 1.5 + sigmas * sd
        assert plausible(np.arange(400), value)[200] == kept


def test_few_days_are_all_kept_and_nine_are_enough() -> None:
    value = np.full(8, 1.5)
    value[4] = 9.0
    assert plausible(np.arange(8), value).all()
    assert (
        plausible(np.arange(9), np.append(value, 1.5)).tolist() == [True] * 4 + [False] + [True] * 4
    )


# --- columns ---


@pytest.mark.parametrize(
    ("last", "every", "harmonics"),
    [(364, 1, 0), (365, 1, 1), (729, 1, 1), (730, 1, 2), (360 * 5, 5, 2), (91 * 20, 23, 0)],
)
def test_a_year_of_readings_gives_a_season(last: int, every: int, harmonics: int) -> None:
    day = FIRST + np.unique(np.append(np.arange(0, last, every), last))
    framed = frame(day, None)
    assert framed.harmonics == harmonics
    assert framed.slope == (1 if harmonics else None)
    columns = framed.columns(day)
    assert columns[:, framed.season].shape[1] == 2 * harmonics
    assert columns.shape[1] == framed.weather.stop == framed.weather.start
    if harmonics:
        assert columns[-1, 1] - columns[0, 1] == pytest.approx(last / YEAR)
        assert columns[0, 1] == -columns[-1, 1]


def test_readings_in_nine_twelfths_of_the_year_give_a_season() -> None:
    """Two winters off the air: eight months a year are too few."""
    for months, harmonics in ((8, 0), (9, 1)):
        start = FIRST + int(-FIRST % YEAR) + 1
        day = start + np.arange(729)
        day = day[(day % YEAR) // (YEAR / 12) < months]
        assert frame(day, None).harmonics == harmonics
    few = FIRST + np.linspace(0, 700, 89).astype(np.int64)
    assert frame(few, None).harmonics == 0
    assert frame(np.append(few, FIRST + 701), None).harmonics == 1


@pytest.mark.parametrize(
    ("span", "every", "bends"),
    [(59, 1, 0), (60, 1, 1), (119, 1, 1), (120, 1, 2), (180, 1, 3), (300, 1, 3), (300, 8, 1)],
)
def test_less_than_a_year_bends(span: int, every: int, bends: int) -> None:
    day = FIRST + np.unique(np.append(np.arange(0, span, every), span))
    framed = frame(day, None)
    assert (framed.bends, framed.harmonics) == (bends, 0)
    columns = framed.columns(day)
    across = np.linspace(-1, 1, span + 1)[day - FIRST]
    np.testing.assert_allclose(columns, np.vander(across, bends + 1, increasing=True), atol=1e-12)


def test_the_season_is_the_year_and_its_half() -> None:
    day = FIRST + np.arange(800)
    framed = frame(day, None)
    angle = 2 * np.pi * day / 365.25
    waves = [np.sin(angle), np.cos(angle), np.sin(2 * angle), np.cos(2 * angle)]
    np.testing.assert_allclose(framed.columns(day)[:, framed.season], np.column_stack(waves))


def test_weather_becomes_a_departure_and_wetness_that_dries() -> None:
    every = FIRST + np.arange(800)
    swing = 10 + 8 * np.sin(2 * np.pi * every / YEAR)
    warm = swing + 5.0 * (np.arange(800) == 300)
    rain = np.where(np.arange(800) == 100, 7.0, 0.0)
    weather = Weather(every, warm, rain, np.zeros(800))
    framed = frame(every, weather)
    temperature, today, before = framed.columns(every)[:, framed.weather].T
    assert temperature[300] == pytest.approx(0.5, abs=0.01)  # tens of degrees
    assert np.abs(np.delete(temperature, 300)).max() < 0.01
    assert today[100] == pytest.approx(np.log(8.0))
    assert not np.delete(today, 100).any()
    assert not before[:101].any()
    np.testing.assert_allclose(before[101:110], np.log(8) * np.exp(-np.arange(1, 10) / 3))
    # Days outside the known weather count as usual ones.
    outside = framed.columns(np.array([FIRST - 1, FIRST + 100, FIRST + 800]))[:, framed.weather]
    assert not outside[[0, 2]].any()
    assert outside[1].any()


@pytest.mark.parametrize(("known", "columns"), [(0.79, 0), (0.8, 1)])
def test_weather_of_too_few_days_is_left_out(known: float, columns: int) -> None:
    every = FIRST + np.arange(100)
    warm = np.where(np.arange(100) < round(100 * known), 10.0, np.nan)
    weather = Weather(every, warm, np.full(100, np.nan), np.zeros(100))
    framed = frame(every, weather)
    assert framed.columns(every)[:, framed.weather].shape == (100, columns)
    assert framed.columns(every).shape[1] == framed.weather.stop
    rainy = Weather(every, np.full(100, np.nan), warm, np.zeros(100))
    assert frame(every, rainy).columns(every).shape[1] == framed.weather.start + 2 * columns


def test_weather_needs_ninety_days_with_readings() -> None:
    every = FIRST + np.arange(100)
    weather = Weather(every, 10.0 + np.arange(100) % 7, np.zeros(100), np.zeros(100))
    counts = [len(range(*frame(every[:n], weather).weather.indices(99))) for n in (89, 90)]
    assert counts == [0, 3]


# --- verdict ---

AGREES, DISAGREES = SecondOpinion(0.001, 0.1, 0.05, 0.15), SecondOpinion(0.5, -0.1, -0.3, 0.1)
UNEXPLAINED = Step(FIRST, FIRST, FIRST, 1.4, 1.6, None)
EXPLAINED = Step(FIRST, FIRST, FIRST, 1.4, 1.6, "repair")


@pytest.mark.parametrize(
    ("per_year", "error", "steps", "opinion", "expected"),
    [
        (0.1, 0.03, [], None, "rising"),
        (0.1, 0.03, [], AGREES, "rising"),
        (0.1, 0.03, [], DISAGREES, "undecided"),
        (-0.1, 0.03, [], None, "falling"),
        (-0.1, 0.03, [], DISAGREES, "falling"),
        (-0.1, 0.03, [], AGREES, "undecided"),
        (0.1, 0.045, [], None, "undecided"),  # 2.2 errors: not beyond doubt
        (0.1, 0.03, [UNEXPLAINED], None, "rising"),
        (0.0, 0.03, [UNEXPLAINED], None, "stepped"),
        (0.0, 0.03, [EXPLAINED], None, "undecided"),
        (0.0, 0.02, [EXPLAINED], None, "steady"),
        (0.02, 0.02, [], None, "undecided"),  # up to 0.06
        (-0.02, 0.02, [], None, "undecided"),
        (0.0, 0.027, [], None, "undecided"),
        (0.0, 0.024, [], None, "steady"),
        (0.004, 0.0001, [], None, "steady"),  # beyond doubt and too small for a word
        (0.006, 0.0001, [], None, "rising"),
    ],
)
def test_verdicts(
    per_year: float,
    error: float,
    steps: list[Step],
    opinion: SecondOpinion | None,
    expected: str,
) -> None:
    assert verdict(Slope(per_year, error, 1000.0), steps, opinion) == expected


def test_verdicts_without_a_slope() -> None:
    assert verdict(None, [], None) == "undecided"
    assert verdict(None, [EXPLAINED], None) == "undecided"
    assert verdict(None, [EXPLAINED, UNEXPLAINED], None) == "stepped"


def test_intervals_of_slopes_are_students() -> None:
    # Quantiles of Student's t, from any table.
    assert Slope(0.0, 1.0, 10.0).interval() == pytest.approx((-2.228, 2.228), abs=5e-4)
    assert Slope(1.0, 2.0, 4.0).interval(0.99) == pytest.approx((1 - 9.208, 1 + 9.208), abs=1e-3)


# --- the whole ---


def test_components_of_a_clean_series_are_separated() -> None:
    """Three years: level, slope, both waves and a repair, with little noise."""
    day = FIRST + np.arange(1096)
    angle = 2 * np.pi * day / 365.25
    season = 0.08 * np.sin(angle) + 0.03 * np.cos(2 * angle)
    rng = np.random.default_rng(31)
    repair = FIRST + 700
    lasting = 1.5 + 0.1 * (day - FIRST) / 365.25 - 0.2 * (day >= repair)
    swr = lasting + season + rng.normal(0, 0.004, 1096)
    told = trend(days_of(day, swr), [WorkEvent(repair, "repair", "")])
    assert told.verdict == "rising"
    assert told.level == pytest.approx(lasting[-1], abs=0.005)
    assert told.slope_per_year == pytest.approx(0.1, abs=0.003)
    assert told.slope_low is not None
    assert told.slope_high is not None
    assert told.slope_low < 0.1 < told.slope_high < told.slope_low + 0.006
    assert told.season_amplitude == pytest.approx(np.ptp(season) / 2, abs=0.003)
    assert told.noise == pytest.approx(0.004, rel=0.1)
    assert told.correlation < 0.15
    (step,) = told.steps
    assert (step.day, step.explained_by) == (repair, "repair")
    assert step.old_level == pytest.approx(lasting[699], abs=0.005)
    assert step.new_level == pytest.approx(lasting[700], abs=0.005)
    assert (told.since, told.last, told.days) == (repair, FIRST + 1095, 396)
    np.testing.assert_allclose(told.curve.season, season, atol=0.005)
    np.testing.assert_allclose(told.curve.swr, lasting + season, atol=0.005)
    assert told.curve.day.tolist() == day.tolist()
    inside = (told.curve.low <= lasting + season) & (lasting + season <= told.curve.high)
    assert inside.mean() > 0.7
    assert (told.curve.high - told.curve.low).max() < 0.006
    opinion = told.second_opinion
    assert opinion is not None
    assert opinion.slope_per_year == pytest.approx(0.1, abs=0.01)
    assert opinion.slope_low <= opinion.slope_per_year <= opinion.slope_high
    assert opinion.p_value < 0.001
    assert told.reasons == ()


def test_work_without_readings_between_is_one_step() -> None:
    day = FIRST + np.arange(100)
    events = [
        WorkEvent(FIRST + 1, "repair", "too early: a day before it"),
        WorkEvent(FIRST + 40, "repair", "plug"),
        WorkEvent(FIRST + 41, "adjustment", ""),
        WorkEvent(FIRST + 60, "repair", "mast"),
        WorkEvent(FIRST + 62, "calibration", "new diode"),
        WorkEvent(FIRST + 99, "repair", "too late: a day after it"),
    ]
    sizes = {41: 0.4, 60: 0.3, 62: 0.3}
    swr = flat(100, noise=0.01) + sum(size * (day >= FIRST + at) for at, size in sizes.items())
    told = trend(days_of(day, swr), events)
    assert [(step.day - FIRST, step.explained_by) for step in told.steps] == [
        (41, "plug; adjustment"),
        (60, "mast"),
        (62, "new diode"),
    ]


def test_work_that_changed_next_to_nothing_is_no_step() -> None:
    day = FIRST + np.arange(200)
    for size, count in ((0.015, 0), (0.025, 1), (-0.025, 1)):
        swr = flat(200, noise=0.003) + size * (day >= FIRST + 90)
        assert len(trend(days_of(day, swr), [WorkEvent(FIRST + 90, "repair", "")]).steps) == count
    noisy = flat(200, seed=4, noise=0.15) + 0.03 * (day >= FIRST + 90)
    assert trend(days_of(day, noisy), [WorkEvent(FIRST + 90, "repair", "")]).steps == ()


def test_opens_count_as_ten() -> None:
    """Readings beyond SWR 10 say open or short, not how much."""
    day = FIRST + np.arange(60)
    swr = np.where(day >= FIRST + 30, 400.0, 1.5)
    (step,) = trend(days_of(day, swr)).steps
    assert step.new_level == pytest.approx(10.0, abs=0.01)


@pytest.mark.parametrize(("shift", "more"), [(1, 0.25), (1234, -0.5)])
def test_another_level_and_another_date_change_nothing_else(shift: int, more: float) -> None:
    rng = np.random.default_rng(9)
    day = FIRST + np.flatnonzero(rng.random(150) < 0.8)
    swr = 2.0 + 0.03 * correlated(rng, day, 0.5) + 0.3 * (day >= FIRST + 80)
    first, second = trend(days_of(day, swr)), trend(days_of(day + shift, swr + more))
    assert second.level == pytest.approx(first.level + more, abs=1e-6)
    assert [step.day for step in second.steps] == [step.day + shift for step in first.steps]
    assert second.noise == pytest.approx(first.noise, rel=1e-6)


def test_a_trend_without_correlation_is_ordinary_least_squares() -> None:
    """Against statsmodels: level, slope and season, their band, and the noise. Readings so far
    apart that nothing hangs together."""
    import statsmodels.api as sm  # takes seconds

    rng = np.random.default_rng(12)
    day = FIRST + 12 * np.arange(130)
    angle = 2 * np.pi * day / 365.25
    swr = 1.6 + 0.05 * (day - FIRST) / 365.25 + 0.06 * np.cos(angle) + rng.uniform(-0.05, 0.05, 130)
    told = trend(days_of(day, swr))
    assert told.steps == ()
    middle = FIRST + 12 * 129 / 2

    def columns(at: IntArray) -> FloatArray:
        waves = [wave(k * 2 * np.pi * at / 365.25) for k in (1, 2) for wave in (np.sin, np.cos)]
        return np.column_stack([np.ones(len(at)), (at - middle) / 365.25, *waves])

    theirs = sm.OLS(swr, columns(day)).fit()
    every = np.arange(day[0], day[-1] + 1)
    predicted = theirs.get_prediction(columns(every))
    np.testing.assert_allclose(told.curve.swr, predicted.predicted_mean, atol=2e-3)
    band = 1.96 * predicted.se_mean
    np.testing.assert_allclose(told.curve.high - told.curve.swr, band, rtol=0.06)
    np.testing.assert_allclose(told.curve.swr - told.curve.low, band, rtol=0.06)
    season = columns(every)[:, 2:] @ theirs.params[2:]
    np.testing.assert_allclose(told.curve.season, season, atol=2e-3)
    assert told.level == pytest.approx(predicted.predicted_mean[-1] - season[-1], abs=2e-3)
    assert told.noise == pytest.approx(np.sqrt(theirs.scale), rel=0.03)
    assert told.slope_per_year == pytest.approx(theirs.params[1], abs=1e-3)
    assert told.season_amplitude == pytest.approx(np.ptp(season[:365]) / 2, abs=2e-3)
    low, high = theirs.conf_int()[1]
    assert told.slope_low is not None
    assert told.slope_high is not None
    # Correlation is searched from 0 to 0.98 and is of no consequence here.
    assert 0.95 * (high - low) < told.slope_high - told.slope_low < 1.8 * (high - low)
    assert (told.slope_low + told.slope_high) / 2 == pytest.approx(told.slope_per_year, abs=1e-9)


@pytest.mark.parametrize(("count", "bends"), [(12, 0), (70, 1)])
def test_short_data_say_how_short(count: int, bends: int) -> None:
    day = FIRST + np.arange(count)
    swr = flat(count, noise=0.01)
    swr[count // 2] += 1.0
    told = trend(days_of(day, swr))
    assert told.reasons == (
        f"{count - 1} days of readings in {count} days: separating season from slope takes a year.",
        "1 day left out as outliers.",
    )
    assert (told.slope_per_year, told.season_amplitude, told.second_opinion) == (None, None, None)
    assert (told.since, told.last, told.days) == (FIRST, FIRST + count - 1, count)
    assert told.verdict == "undecided"
    assert told.level == pytest.approx(1.5, abs=0.02)


def test_a_month_counts_with_three_days_in_the_second_opinion() -> None:
    """Ten years with a slope; each January has three days, or two, of nonsense."""
    day = FIRST + np.arange(0, 3650, 6)
    rng = np.random.default_rng(13)
    swr = 1.5 + 0.02 * (day - FIRST) / 365.25 + 0.01 * rng.standard_normal(len(day))
    told = trend(days_of(day, swr)).second_opinion
    assert told is not None
    assert told.slope_per_year == pytest.approx(0.02, abs=0.002)
    assert told.slope_low < 0.02 < told.slope_high
    sparse = trend(days_of(day[::3], swr[::3]))  # one or two days a month
    assert sparse.slope_per_year is not None
    assert sparse.second_opinion is None


# --- account ---


def test_names_of_channels_and_days() -> None:
    assert channel_name(20, 27205.0) == "channel 20"
    assert channel_name(None, 14_200.0) == "14.200 MHz"
    assert channel_name(None, None) == "all readings"
    channel_20 = days_of(FIRST + np.arange(1), flat(1))
    channel_1 = replace(channel_20, channel=1)
    elsewhere = replace(channel_20, channel=None, frequency_khz=7100.0)
    assert name_channels([channel_20]) == "channel 20"
    assert name_channels([channel_1, channel_20]) == "channels 1 and 20"
    assert name_channels([channel_1, elsewhere]) == "channel 1 and 7.100 MHz"
    assert date(0) == "1970-01-01"
    assert date(20_454) == "2026-01-01"


def test_an_account_spans_all_channels() -> None:
    tell = [days_of(FIRST + first + np.arange(12), flat(12)) for first in (5, 0, 9)]
    channels = tuple(ChannelAccount(each, trend(each)) for each in tell)
    account = Account("quay", 3.0, 0, channels, (), (), None)
    assert account.span == (FIRST, FIRST + 20)
    assert channels[0].name == "channel 20"
    day_ns = 86_400 * 10**9
    assert JournalEntry(5 * day_ns - 1, "repair", "").day == 4
    alarm = Alarm(
        kind=AlarmKind.HIGH_SWR,
        severity=Severity.CRITICAL,
        raised_utc="1970-01-06T00:00:00.000000Z",
        value=None,
        limit=None,
        detail="",
        flags="",
    )
    assert alarm.day == 5
