"""Trend of one channel: level, slope, season, weather and steps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from logger.daily import Days, FloatArray, IntArray, Weather, WorkEvent
from logger.trend.design import YEAR, Frame, frame, step_columns
from logger.trend.nonparametric import seasonal
from logger.trend.outcome import Curve, SecondOpinion, Slope, Step, Trend
from logger.trend.outliers import plausible
from logger.trend.priors import AgeingPrior, describe, weigh
from logger.trend.regression import RegressionFit, fit
from logger.trend.steps import certainty, search
from logger.trend.verdict import verdict
from logger.wording import count

HIGHEST = 10.0  # SWR; higher values mean "open or short" and have no useful size
LEAST_FOR_STEPS = 20  # days with readings
SIDE = 2  # days with readings needed before and after announced work, and between two
TELLING = 1.96  # standard errors above which a change by announced work is reported
TELLING_SIZE = 0.02
# Lengths of blocks between which long correlations show: of a rainy month, of a wet half-year.
BLOCKS_DAYS = 45, 90, 180
MONTH_DAYS = 3  # with readings needed for the value of a month
SIGMAS_95 = 1.96
TEMPERATURE = "temperature of the coupler"  # explains a step


def trend(
    days: Days,
    events: Sequence[WorkEvent] = (),
    weather: Weather | None = None,
    slope_u: float = 0.0,
    thermal_swr: FloatArray | None = None,
    prior: AgeingPrior | None = None,
) -> Trend:
    """Return the trend of the channel of `days`; `events` may have changed it.

    slope_u      standard error of the slope from the instrument, SWR per year
    thermal_swr  what one standard uncertainty of its temperature coefficient changes, SWR, (n,); a
                 step no larger than that is explained by it
    prior        of the slope, from stations of the same cable and age
    """
    value = np.minimum(days.swr, HIGHEST)
    is_plausible = plausible(days.day, value)
    day, value = days.day[is_plausible], value[is_plausible]
    layout = frame(day, weather)
    columns = layout.columns(day)
    announced = _select_announced(day, events)
    if len(day) < 2 * (columns.shape[1] + len(announced)):
        layout, announced = Frame.of_level(day), {}
        columns = layout.columns(day)
    unannounced = (
        search(day, value, columns, list(announced)) if len(day) >= LEAST_FOR_STEPS else []
    )
    steps = sorted([*announced, *unannounced])
    regression = fit(day, value, np.column_stack([columns, step_columns(day, steps)]))
    changes = _steps(day, value, layout, steps, announced, regression)
    if thermal_swr is not None:
        changes = [_explain(step, day, thermal_swr[is_plausible], steps) for step in changes]
    slope = _slope(layout, regression, day, slope_u)
    reasons = _reasons(layout, day, int((~is_plausible).sum()))
    if slope is not None and prior is not None:
        reasons.append(describe(prior, slope))
        slope = weigh(slope, prior)
    low, high = (None, None) if slope is None else slope.interval()
    opinion = _second_opinion(layout, regression, day, value, steps)
    curve = _curve(layout, regression, days.day, steps)
    since = max((step.day for step in changes), default=int(days.day[0]))
    return Trend(
        channel=days.channel,
        frequency_khz=days.frequency_khz,
        verdict=verdict(slope, changes, opinion),
        since=since,
        last=int(days.day[-1]),
        days=int((days.day >= since).sum()),
        level=float(curve.swr[-1] - curve.season[-1]),
        slope_per_year=None if slope is None else slope.per_year,
        slope_low=low,
        slope_high=high,
        season_amplitude=_amplitude(layout, regression),
        steps=tuple(changes),
        noise=regression.noise,
        correlation=regression.correlation,
        curve=curve,
        second_opinion=opinion,
        reasons=tuple(reasons),
        antenna=days.antenna,
        slope=slope,
    )


def _select_announced(day: IntArray, events: Sequence[WorkEvent]) -> dict[int, str]:
    """Return work and calibrations between readings, by day.

    Of those with too few readings between them the last is returned, with the texts of all.
    """
    texts: dict[int, str] = {}
    rows: dict[int, int] = {}
    for event in sorted(events, key=lambda event: event.day):
        row = int(np.searchsorted(day, event.day))
        if row < SIDE or row > len(day) - SIDE:
            continue
        text = event.text or event.kind
        near_day = next((day for day, other in rows.items() if row - other < SIDE), None)
        if near_day is not None:
            text = f"{texts.pop(near_day)}; {text}"
            del rows[near_day]
        texts[event.day], rows[event.day] = text, row
    return texts


def _steps(
    days: IntArray,
    value: FloatArray,
    layout: Frame,
    steps: Sequence[int],
    announced: dict[int, str],
    regression: RegressionFit,
) -> list[Step]:
    columns = layout.columns(days)
    sizes = regression.estimate[columns.shape[1] :]
    errors = regression.deviation[columns.shape[1] :]
    changes: list[Step] = []
    for index, day in enumerate(steps):
        size, low, high = float(sizes[index]), day, day
        if day in announced:
            if abs(size) < max(TELLING_SIZE, TELLING * errors[index]):
                continue
        else:
            fixed = [other for other in steps if other != day]
            low, high = certainty(days, value, columns, fixed, day)
        level = float(_lasting(layout, regression, np.array([day - 1]), steps)[0])
        changes.append(Step(day, low, high, level, level + size, announced.get(day)))
    return changes


def _explain(step: Step, day: IntArray, thermal_swr: FloatArray, steps: Sequence[int]) -> Step:
    """Explain a step by the coupler's temperature if its size is within the doubt of that."""
    begin = max((other for other in steps if other < step.day), default=int(day[0]))
    end = min((other for other in steps if other > step.day), default=int(day[-1]) + 1)
    before, after = (day >= begin) & (day < step.day), (day >= step.day) & (day < end)
    doubt = TELLING * abs(thermal_swr[after].mean() - thermal_swr[before].mean())
    if step.explained_by is None and abs(step.new_level - step.old_level) <= doubt:
        return replace(step, explained_by=TEMPERATURE)
    return step


def _lasting(
    layout: Frame, regression: RegressionFit, day: IntArray, steps: Sequence[int]
) -> FloatArray:
    """Return the model without season and weather."""
    columns = layout.columns(day)
    columns[:, layout.season] = columns[:, layout.weather] = 0.0
    return np.asarray(np.column_stack([columns, step_columns(day, steps)]) @ regression.estimate)


def _slope(layout: Frame, regression: RegressionFit, day: IntArray, slope_u: float) -> Slope | None:
    if layout.slope is None:
        return None
    # Correlated days carry less information on their scatter.
    information = (1 - regression.correlation) / (1 + regression.correlation)
    slow = max(regression.slow(day, layout.slope, length) for length in BLOCKS_DAYS)
    return Slope(
        per_year=float(regression.estimate[layout.slope]),
        error=math.hypot(float(regression.deviation[layout.slope]) * math.sqrt(slow), slope_u),
        freedom=max(2.0, regression.freedom * information),
    )


def _amplitude(layout: Frame, regression: RegressionFit) -> float | None:
    if layout.slope is None:
        return None
    year = np.arange(round(YEAR))
    wave = layout.columns(year)[:, layout.season] @ regression.estimate[layout.season]
    return float(np.ptp(wave) / 2)


def _curve(layout: Frame, regression: RegressionFit, day: IntArray, steps: Sequence[int]) -> Curve:
    """Return the model on each day from the first reading to the last, outliers included."""
    days = np.arange(day[0], day[-1] + 1)
    columns = layout.columns(days)
    season = np.zeros(len(days))
    for part in (layout.season, layout.weather):
        season += columns[:, part] @ regression.estimate[part]
    columns = np.column_stack([columns, step_columns(days, steps)])
    swr = columns @ regression.estimate
    reach = SIGMAS_95 * np.sqrt(np.sum((columns @ regression.covariance) * columns, axis=1))
    return Curve(days, swr, swr - reach, swr + reach, season)


def _second_opinion(
    layout: Frame, regression: RegressionFit, day: IntArray, value: FloatArray, steps: Sequence[int]
) -> SecondOpinion | None:
    """Return the non-parametric trend of monthly medians without steps, month by month."""
    if layout.slope is None:
        return None
    columns = step_columns(day, steps)
    value = value - columns @ regression.estimate[len(regression.estimate) - len(steps) :]
    month = np.floor(day * 12 / YEAR).astype(np.int64)
    months, days = np.unique(month, return_counts=True)
    months = months[days >= MONTH_DAYS]
    medians = np.array([np.median(value[month == number]) for number in months])
    seasonal_trend = seasonal(
        [(months[months % 12 == k] // 12, medians[months % 12 == k]) for k in range(12)]
    )
    if seasonal_trend is None:
        return None
    test, slope = seasonal_trend
    return SecondOpinion(test.p_value, slope.slope, slope.low, slope.high)


def _reasons(layout: Frame, day: IntArray, excluded: int) -> list[str]:
    reasons: list[str] = []
    if layout.slope is None:
        span = int(day[-1] - day[0]) + 1
        reasons.append(
            f"{count(len(day), 'day')} of readings in {count(span, 'day')}: separating season from"
            " slope takes a year."
        )
    if excluded:
        reasons.append(f"{count(excluded, 'day')} left out as outliers.")
    return reasons
