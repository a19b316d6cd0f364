"""Trend of one channel: level, slope, season, weather and steps."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from logger.daily import Days, FloatArray, IntArray, Weather, WorkEvent
from logger.trend.design import YEAR, Frame, frame, step_columns
from logger.trend.nonparametric import seasonal
from logger.trend.outcome import Curve, SecondOpinion, Step, Trend
from logger.trend.outliers import plausible
from logger.trend.regression import RegressionFit, fit
from logger.trend.steps import certainty, search
from logger.trend.verdict import Slope, verdict
from logger.wording import count

HIGHEST = 10.0  # SWR; higher values mean "open or short" and have no useful size
LEAST_FOR_STEPS = 20  # days with readings
SIDE = 2  # days with readings needed before and after announced work, and between two
TELLING = 1.96  # standard errors above which a change by announced work is reported
TELLING_SIZE = 0.02
BLOCK_DAYS = 45  # length of blocks between which long correlations (a rainy month) show
MONTH_DAYS = 3  # with readings needed for the value of a month
SIGMAS_95 = 1.96


def trend(days: Days, events: Sequence[WorkEvent] = (), weather: Weather | None = None) -> Trend:
    """Return the trend of the channel of `days`; `events` may have changed it."""
    value = np.minimum(days.swr, HIGHEST)
    kept = plausible(value)
    day, value = days.day[kept], value[kept]
    framed = frame(day, weather)
    columns = framed.columns(day)
    announced = _announced(day, events)
    if len(day) < 2 * (columns.shape[1] + len(announced)):
        framed, announced = Frame.of_level(day), {}
        columns = framed.columns(day)
    found = search(day, value, columns, list(announced)) if len(day) >= LEAST_FOR_STEPS else []
    steps = sorted([*announced, *found])
    fitted = fit(day, value, np.column_stack([columns, step_columns(day, steps)]))
    told = _steps(day, value, framed, steps, announced, fitted)
    slope = _slope(framed, fitted, day)
    low, high = (None, None) if slope is None else slope.interval()
    opinion = _second_opinion(framed, fitted, day, value, steps)
    curve = _curve(framed, fitted, days.day, steps)
    since = max((step.day for step in told), default=int(days.day[0]))
    return Trend(
        channel=days.channel,
        frequency_khz=days.frequency_khz,
        verdict=verdict(slope, told, opinion),
        since=since,
        last=int(days.day[-1]),
        days=int((days.day >= since).sum()),
        level=float(curve.swr[-1] - curve.season[-1]),
        slope_per_year=None if slope is None else slope.per_year,
        slope_low=low,
        slope_high=high,
        season_amplitude=_amplitude(framed, fitted),
        steps=tuple(told),
        noise=fitted.noise,
        correlation=fitted.correlation,
        curve=curve,
        second_opinion=opinion,
        reasons=tuple(_reasons(framed, day, int((~kept).sum()))),
    )


def _announced(day: IntArray, events: Sequence[WorkEvent]) -> dict[int, str]:
    """Return work and calibrations between readings, by day.

    Of those with too few readings between them the last is returned, with the texts of all.
    """
    found: dict[int, str] = {}
    rows: dict[int, int] = {}
    for event in sorted(events, key=lambda each: each.day):
        row = int(np.searchsorted(day, event.day))
        if row < SIDE or row > len(day) - SIDE:
            continue
        text = event.text or event.kind
        near = next((each for each, at in rows.items() if row - at < SIDE), None)
        if near is not None:
            text = f"{found.pop(near)}; {text}"
            del rows[near]
        found[event.day], rows[event.day] = text, row
    return found


def _steps(
    day: IntArray,
    value: FloatArray,
    framed: Frame,
    steps: Sequence[int],
    announced: dict[int, str],
    fitted: RegressionFit,
) -> list[Step]:
    columns = framed.columns(day)
    sizes = fitted.estimate[columns.shape[1] :]
    errors = fitted.deviation[columns.shape[1] :]
    told: list[Step] = []
    for at, first in enumerate(steps):
        size, low, high = float(sizes[at]), first, first
        if first in announced:
            if abs(size) < max(TELLING_SIZE, TELLING * errors[at]):
                continue
        else:
            others = [each for each in steps if each != first]
            low, high = certainty(day, value, columns, others, first)
        before = float(_lasting(framed, fitted, np.array([first - 1]), steps)[0])
        told.append(Step(first, low, high, before, before + size, announced.get(first)))
    return told


def _lasting(
    framed: Frame, fitted: RegressionFit, day: IntArray, steps: Sequence[int]
) -> FloatArray:
    """Return the model without season and weather."""
    columns = framed.columns(day)
    columns[:, framed.season] = columns[:, framed.weather] = 0.0
    return np.asarray(np.column_stack([columns, step_columns(day, steps)]) @ fitted.estimate)


def _slope(framed: Frame, fitted: RegressionFit, day: IntArray) -> Slope | None:
    if framed.slope is None:
        return None
    # Correlated days carry less information on their scatter.
    apart = (1 - fitted.correlation) / (1 + fitted.correlation)
    slow = fitted.slow(day, framed.slope, BLOCK_DAYS)
    return Slope(
        per_year=float(fitted.estimate[framed.slope]),
        error=float(fitted.deviation[framed.slope]) * math.sqrt(slow),
        freedom=max(2.0, fitted.freedom * apart),
    )


def _amplitude(framed: Frame, fitted: RegressionFit) -> float | None:
    if framed.slope is None:
        return None
    year = np.arange(round(YEAR))
    wave = framed.columns(year)[:, framed.season] @ fitted.estimate[framed.season]
    return float(np.ptp(wave) / 2)


def _curve(framed: Frame, fitted: RegressionFit, day: IntArray, steps: Sequence[int]) -> Curve:
    """Return the model on each day from the first reading to the last, outliers included."""
    every = np.arange(day[0], day[-1] + 1)
    columns = framed.columns(every)
    passing = np.zeros(len(every))
    for part in (framed.season, framed.weather):
        passing += columns[:, part] @ fitted.estimate[part]
    columns = np.column_stack([columns, step_columns(every, steps)])
    swr = columns @ fitted.estimate
    reach = SIGMAS_95 * np.sqrt(np.sum((columns @ fitted.covariance) * columns, axis=1))
    return Curve(every, swr, swr - reach, swr + reach, passing)


def _second_opinion(
    framed: Frame, fitted: RegressionFit, day: IntArray, value: FloatArray, steps: Sequence[int]
) -> SecondOpinion | None:
    """Return the non-parametric trend of monthly medians without steps, month by month."""
    if framed.slope is None:
        return None
    columns = step_columns(day, steps)
    value = value - columns @ fitted.estimate[len(fitted.estimate) - len(steps) :]
    month = np.floor(day * 12 / YEAR).astype(np.int64)
    rows = [np.flatnonzero(month == each) for each in np.unique(month)]
    rows = [each for each in rows if len(each) >= MONTH_DAYS]
    numbers = np.array([month[each[0]] for each in rows])
    medians = np.array([np.median(value[each]) for each in rows])
    found = seasonal(
        [(numbers[numbers % 12 == k] // 12, medians[numbers % 12 == k]) for k in range(12)]
    )
    if found is None:
        return None
    test, slope = found
    return SecondOpinion(test.p_value, slope.slope, slope.low, slope.high)


def _reasons(framed: Frame, day: IntArray, set_aside: int) -> list[str]:
    found: list[str] = []
    if framed.slope is None:
        span = int(day[-1] - day[0]) + 1
        found.append(
            f"{count(len(day), 'day')} of readings in {count(span, 'day')}: separating season from"
            " slope takes a year."
        )
    if set_aside:
        found.append(f"{count(set_aside, 'day')} left out, far from the days around.")
    return found
