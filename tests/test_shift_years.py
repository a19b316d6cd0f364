"""Rule `baseline-shift` over years; `tests.bench.foreign_years` has the figures."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from logger.config.load import FalseAlarmOptions, WatchdogOptions
from logger.utc import DAY_NS
from logger.watchdog import Watchdog, baseline_shift
from logger.watchdog.baseline_forecast import YEAR, BaselineForecast, learn, predict
from logger.watchdog.baseline_step import Series, Steps, fit_steps
from tests.bench.foreign_years import alarms, drifting, foreign, sent
from tests.foreign_years import make_years


@pytest.mark.parametrize(("seed", "size"), [(1, 0.3), (2, -0.25)])
def test_steps_of_foreign_stations_are_detected_within_a_week(seed: int, size: float) -> None:
    history = make_years(
        seed, years=1, channels=1, steps=[(150, size)], repairs=False, per_day=8, slope=0.1
    )
    station = foreign(history)
    (step,) = station.changes
    delays = [day - step.day for day, _ in alarms(station) if day >= step.day]
    assert delays
    assert delays[0] < 7


def test_the_drift_stations_raise_nothing_else() -> None:
    rng = np.random.default_rng(4)
    station = drifting(rng)
    steps = [each.day for each in station.changes if not each.announced]
    false = sum(not any(step <= day < step + 30 for step in steps) for day, _ in alarms(station))
    assert false == 0  # in three years


def test_the_forecast_knows_the_season_after_two_years_and_is_wide_before() -> None:
    def season(day: int) -> float:
        return 1.5 + 0.1 * np.cos(2 * np.pi * day / YEAR)

    forecast = BaselineForecast()
    variances = {}
    for day in range(20_000, 20_730):
        learn(forecast, day, season(day))
        if day in (20_060, 20_729):
            ahead = np.array([day + 60.0])
            expected, variance = predict(forecast, ahead)
            variances[day] = float(variance[0])
    assert abs(float(expected[0]) - season(20_789)) < 0.02
    assert variances[20_729] < variances[20_060] / 2


def fit(departure: np.ndarray, tilt_variance: float = 0.0) -> Steps:
    """Steps from each day on, by a forecast that is known to 0.03 and weather of 0.03."""
    day = np.arange(float(len(departure)))
    still = np.zeros(len(day))
    series = Series(day, departure, still, 1e-3, tilt_variance, 0.0, 0.03, 0.5)
    return fit_steps(series, np.arange(len(day) - 1))


def test_a_jump_that_fades_is_weather_and_one_that_lasts_a_step() -> None:
    day = np.arange(12.0)
    still = np.zeros(12)
    storm = np.where(day >= 6, 0.3 * 0.5 ** (day - 6), 0.0)
    step = np.where(day >= 6, 0.3, 0.0)
    gains = [float(fit(departure).gain.max()) for departure in (still, storm, step)]
    assert gains[0] < 0.1
    assert gains[1] < 8 < gains[2] / 2
    steps = fit(step)
    assert int(np.argmax(steps.gain)) == 6
    assert steps.size[6] == pytest.approx(0.3, abs=0.02)
    assert 8 < steps.evidence[6] < steps.gain[6]


def test_a_season_not_yet_known_is_no_step_and_a_step_is_one_all_the_same() -> None:
    day = np.arange(12.0)
    growing = 0.2 * day / 11
    step = np.where(day >= 6, 0.3, 0.0)
    assert fit(growing).gain.max() > 2 * fit(growing, 0.1**2).gain.max()
    assert fit(growing, 0.1**2).gain.max() < 3
    assert fit(step, 0.1**2).gain.max() > 10


def test_the_rarer_false_alarms_are_to_be_and_the_more_channels_the_more_is_asked() -> None:
    """The gain that raises the alarm grows with both, as documented."""

    def limit(rate: float, channels: int) -> float:
        memory = baseline_shift.Memory(
            channels={str(each): baseline_shift.Channel() for each in range(channels)}
        )
        options = WatchdogOptions(baseline_shift=FalseAlarmOptions(false_alarms_per_year=rate))
        return baseline_shift.rule(options, memory, active=False).least_gain

    # z^2 / 2 of the normal quantiles of 1 / (2 * 365.25 * 2) and of a tenth or a third of it.
    assert limit(1.0, 1) - baseline_shift.MARGIN == pytest.approx(3.2035**2 / 2, abs=0.01)
    assert limit(0.1, 1) - limit(1.0, 1) > 2
    assert limit(1.0, 5) - limit(1.0, 1) > 0.9


def test_another_step_is_raised_while_an_alarm_is_open() -> None:
    rng = np.random.default_rng(7)
    rows = [
        sent(
            (20_000 + day) * DAY_NS + hour * DAY_NS // 24,
            1.5 + 0.25 * (day >= 30) + 0.3 * (day >= 34) + 0.01 * float(rng.standard_normal()),
        )
        for day in range(60)
        for hour in (9, 12, 19)
    ]
    guard = Watchdog(WatchdogOptions())
    changes = [
        (int(each.time_ns // DAY_NS) - 20_000, each.change)
        for row in rows
        for each in guard.rows([row])
        if each.kind == baseline_shift.KIND
    ]
    assert [change for _, change in changes] == ["raised", "cleared", "raised", "cleared"]
    assert 30 <= changes[0][0] <= 33
    assert changes[1][0] == changes[2][0] <= 37
    assert changes[3][0] <= changes[2][0] + 8


def test_levels_of_before_several_steps_that_come_back_clear_the_alarm() -> None:
    """Ice that grows and falls off: two alarms, and none for the return, on whatever channel."""
    rng = np.random.default_rng(3)
    rows = []
    for day in range(40):
        for hour in (9, 10, 11, 12, 19):
            # The second channel is not used while the ice grows.
            other = hour != 9 or 30 <= day < 32 or day == 33
            grown = 0.7 * (30 <= day < 33) + 0.7 * (31 <= day < 33)
            swr = (1.3 if other else 1.7) + grown + 0.01 * float(rng.standard_normal())
            row = sent((20_000 + day) * DAY_NS + hour * DAY_NS // 24, swr)
            rows.append(msgspec.structs.replace(row, channel=20 if other else 9))
    guard = Watchdog(WatchdogOptions())
    changes = [
        (int(each.time_ns // DAY_NS) - 20_000, each.change, each.detail)
        for row in rows
        for each in guard.rows([row])
        if each.kind == baseline_shift.KIND
    ]
    assert [(day, change) for day, change, _ in changes] == [
        (30, "raised"),
        (31, "cleared"),
        (31, "raised"),
        (33, "cleared"),
    ]
    assert changes[-1][2] == baseline_shift.RETURNED


def changes_of(swr_of: dict[int, dict[int, float]]) -> list[tuple[int, str, str]]:
    """Day, change and words of alarms of channels whose SWR is given by channel and day; three
    transmissions a day of each."""
    rng = np.random.default_rng(11)
    rows = []
    for day in sorted({day for swr in swr_of.values() for day in swr}):
        for channel, swr in swr_of.items():
            for part in range(3 * (day in swr)):
                start_ns = (20_000 + day) * DAY_NS + (8 + part) * DAY_NS // 24 + channel * 10**11
                row = sent(start_ns, swr[day] + 0.004 * float(rng.standard_normal()))
                rows.append(msgspec.structs.replace(row, channel=channel))
    guard = Watchdog(WatchdogOptions())
    return [
        (int(each.time_ns // DAY_NS) - 20_000, each.change, each.detail)
        for row in sorted(rows, key=lambda each: each.start_ns)
        for each in guard.rows([row])
        if each.kind == baseline_shift.KIND
    ]


def weathered(seed: int, days: range, step: float, since: int) -> dict[int, float]:
    """SWR of 1.5 with weather of 0.02 that is independent from day to day, and a step."""
    rng = np.random.default_rng(seed)
    return {day: 1.5 + 0.02 * float(rng.standard_normal()) + step * (day >= since) for day in days}


def test_channels_that_move_each_its_own_way_are_judged_together() -> None:
    """Channels used in turn, one a day: together three days are enough, alone it takes six."""
    sizes = {1: 0.2, 10: -0.2, 20: 0.16, 30: -0.18, 40: 0.2}

    def first_alarm(channels: list[int]) -> int:
        swr = {
            each: {
                day: value
                for day, value in weathered(each, range(120), sizes[each], 100).items()
                if day < 70 or day % 5 == list(sizes).index(each)
            }
            for each in channels
        }
        return next(day for day, change, _ in changes_of(swr) if change == "raised")

    assert 101 <= first_alarm(list(sizes)) <= 102
    assert all(first_alarm([each]) >= 105 for each in sizes)


def test_a_small_step_is_not_adopted_as_if_it_had_been_reported() -> None:
    swr = weathered(2, range(70), 0.09, 50)
    assert changes_of({20: swr}) == []
    larger = {day: value + 0.09 * (day >= 55) for day, value in swr.items()}
    (raised, *_) = changes_of({20: larger})
    before = float(raised[2].split()[1])
    assert before == pytest.approx(1.5, abs=0.045)


def test_a_reading_of_the_day_of_a_step_may_be_of_before_it() -> None:
    """A channel used on that day only before the step, and again weeks later: one alarm."""
    busy = weathered(5, range(90), 0.3, 50)
    rare = {day: 1.7 + 0.3 * (day > 50) for day in (*range(0, 40, 2), 49, 50, 80, 81, 82, 84)}
    changes = changes_of({20: busy, 9: rare})
    assert [change for _, change, _ in changes] == ["raised", "cleared"]


def test_correlation_of_channels_is_learned() -> None:
    """Evidence of channels adds up only as far as their weather differs."""
    rng = np.random.default_rng(8)
    common = rng.standard_normal(120)

    def correlation(share: float) -> float:
        rule = baseline_shift.rule(WatchdogOptions(), baseline_shift.Memory(), active=False)
        for day in range(120):
            for channel in (1, 20, 40):
                own = share * common[day] + (1 - share**2) ** 0.5 * float(rng.standard_normal())
                row = sent((20_000 + day) * DAY_NS + channel * 10**12, 1.5 + 0.03 * own)
                rule.row(msgspec.structs.replace(row, channel=channel), 0)
        return rule.memory.likeness.correlation

    assert baseline_shift.Likeness().correlation == 0.5
    assert correlation(0.95) > 0.6
    assert correlation(0.0) < 0.2


def test_the_evidence_of_several_channels_is_a_likelihood_ratio_by_the_false_alarm_rate() -> None:
    def limit(rate: float) -> float:
        options = WatchdogOptions(baseline_shift=FalseAlarmOptions(false_alarms_per_year=rate))
        rule = baseline_shift.rule(options, baseline_shift.Memory(), active=False)
        return rule.least_evidence - baseline_shift.EVIDENCE_MARGIN

    assert limit(1.0) == pytest.approx(np.log(YEAR))
    assert limit(0.1) - limit(1.0) == pytest.approx(np.log(10))
