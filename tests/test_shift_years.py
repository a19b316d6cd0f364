"""Rule `baseline-shift` over years; `tests.bench.foreign_years` has the figures."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from logger.config import BaselineShiftOptions, WatchdogOptions
from logger.watchdog import Watchdog, baseline_shift
from logger.watchdog.baseline_forecast import YEAR, Forecast, learn, predict
from logger.watchdog.baseline_step import best_step
from tests.bench.foreign_years import DAY_NS, alarms, drifting, foreign, sent
from tests.foreign_years import make_years


@pytest.mark.parametrize(("seed", "size"), [(1, 0.3), (2, -0.25)])
def test_steps_of_foreign_stations_are_told_within_a_week(seed: int, size: float) -> None:
    history = make_years(
        seed, years=1, channels=1, steps=[(150, size)], repairs=False, per_day=8, slope=0.1
    )
    station = foreign(history)
    (step,) = station.changes
    delays = [day - step.day for day, _ in alarms(station) if day >= step.day]
    assert delays
    assert delays[0] < 8


def test_the_drift_stations_raise_little_else() -> None:
    rng = np.random.default_rng(4)
    station = drifting(rng)
    steps = [each.day for each in station.changes if not each.announced]
    false = sum(not any(step <= day < step + 30 for step in steps) for day, _ in alarms(station))
    assert false <= 3  # in three years


def test_the_forecast_knows_the_season_after_two_years_and_is_wide_before() -> None:
    def season(day: int) -> float:
        return 1.5 + 0.1 * np.cos(2 * np.pi * day / YEAR)

    forecast = Forecast()
    variances = {}
    for day in range(20_000, 20_730):
        learn(forecast, day, season(day))
        if day in (20_060, 20_729):
            ahead = np.array([day + 60.0])
            expected, variance = predict(forecast, ahead)
            variances[day] = float(variance[0])
    assert abs(float(expected[0]) - season(20_789)) < 0.02
    assert variances[20_729] < variances[20_060] / 2


def test_a_jump_that_fades_is_weather_and_one_that_lasts_a_step() -> None:
    day = np.arange(12.0)
    still = np.zeros(12)
    storm = np.where(day >= 6, 0.3 * 0.5 ** (day - 6), 0.0)
    step = np.where(day >= 6, 0.3, 0.0)
    gains = [
        found.gain
        for departure in (still, storm, step)
        if (found := best_step(day, departure, still, 1e-3, 0.03, 0.5, 2)) is not None
    ]
    assert gains[0] < 0.1
    assert gains[1] < 8 < gains[2] / 2
    found = best_step(day, step, still, 1e-3, 0.03, 0.5, 2)
    assert found is not None
    assert found.place == 6
    assert found.size == pytest.approx(0.3, abs=0.02)


def test_the_rarer_false_alarms_are_to_be_and_the_more_channels_the_more_is_asked() -> None:
    """The gain that raises the alarm grows with both, as documented."""

    def limit(rate: float, channels: int) -> float:
        memory = baseline_shift.Memory(
            channels={str(each): baseline_shift.Channel() for each in range(channels)}
        )
        options = WatchdogOptions(baseline_shift=BaselineShiftOptions(false_alarms_per_year=rate))
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
