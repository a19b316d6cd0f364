"""What each station contributes to what is learned from all; priors and explained steps from it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from logger.blocks import Bools, Floats
from logger.daily import Days
from logger.fleet.learning.priors import MOST_STEPS, Class, learn_ageing, learn_rates
from logger.fleet.learning.shared_steps import (
    AGAIN_DAYS,
    Learned,
    Panel,
    SharedStep,
    first_day_of,
    judge,
    learn,
    search,
)
from logger.trend.model import trend
from logger.trend.priors import Priors
from logger.utc import DAY_NS, format_ns

RAISED_DAYS = 12  # before its alarm, in which a step may begin


class Series(msgspec.Struct, frozen=True):
    """Daily levels of a channel, SWR, by UTC day; `transmissions` of all days."""

    name: str
    day: tuple[int, ...]
    swr: tuple[float, ...]
    transmissions: int


class StationFacts(msgspec.Struct, frozen=True, kw_only=True):
    """Facts of a station.

    place            latitude and longitude, degrees, None if not configured
    cable, age       class of its line, see `logger.trend.priors`
    shifts_ns        when alarms `baseline-shift` were raised
    """

    place: tuple[float, float] | None
    cable: str
    age: str
    excursions: int
    keyed_hours: float
    series: tuple[Series, ...]
    shifts_ns: tuple[int, ...]


class ExplainedStep(NamedTuple):
    """A step of a station in the latest days: its channel and first day, and whose it is.

    `is_raised`: its station has raised an alarm.
    """

    station: int
    channel: str
    day: int
    step: SharedStep
    is_raised: bool


def panel_of(stations: Sequence[StationFacts]) -> tuple[Panel, list[str]]:
    """Return the daily levels of stations, of which one or more have some, and the channels."""
    rows = [(number, series) for number, each in enumerate(stations) for series in each.series]
    first = min(series.day[0] for _, series in rows)
    level = np.full((len(rows), max(series.day[-1] for _, series in rows) - first + 1), np.nan)
    for row, (_, series) in enumerate(rows):
        level[row, np.array(series.day) - first] = series.swr
    place: Floats = np.array([each.place or (np.nan, np.nan) for each in stations])
    owners = np.array([number for number, _ in rows])
    return Panel(level, owners, place, first), [series.name for _, series in rows]


def priors_of(stations: Sequence[StationFacts], now_ns: int) -> Priors:
    """Return the priors for other stations.

    Slopes are those of each station's most used channel, from days on which its neighbours were
    calm, unless so many steps are in them that the slope is not clear.
    """
    slopes, classes = [], []
    if any(each.series for each in stations):
        panel, _ = panel_of(stations)
        is_calm = learn(panel).is_calm
        first_row = np.searchsorted(panel.station, np.arange(len(stations)))
        for number, each in enumerate(stations):
            if not each.series:
                continue
            most = int(np.argmax([series.transmissions for series in each.series]))
            row = first_row[number] + most
            of_days = _trend(panel.level[row], is_calm[row], panel.first_day)
            if of_days is not None:
                slopes.append(of_days)
                classes.append(Class(each.cable, each.age))
    slope, error = np.array(slopes, dtype=np.float64).reshape(-1, 2).T
    return Priors(
        made_utc=format_ns(now_ns),
        stations=len(stations),
        ageing=learn_ageing(slope, error, classes),
        excursions=learn_rates(
            np.array([float(each.excursions) for each in stations]),
            np.array([each.keyed_hours for each in stations]),
            [Class(each.cable, each.age) for each in stations],
        ),
    )


def explain_steps(stations: Sequence[StationFacts], now_ns: int) -> list[ExplainedStep]:
    """Return the steps of the last AGAIN_DAYS: those of alarms, and own ones without an alarm."""
    if not any(each.series for each in stations):
        return []
    panel, names = panel_of(stations)
    learned = learn(panel)
    last = panel.first_day + panel.level.shape[1] - 1
    today = min(now_ns // DAY_NS, last)
    steps = []
    for number, each in enumerate(stations):
        rows = np.flatnonzero(panel.station == number).tolist()
        raised = [ns // DAY_NS for ns in each.shifts_ns if ns <= now_ns]
        found = [
            (row, begin, step, True)
            for day in raised[-1:]
            if day >= today - AGAIN_DAYS
            for row in rows
            for begin, step in _clearest(panel, learned, row, day, today)
        ]
        if not found:
            for row in rows:
                own = search(panel, learned, row, _last_reading(panel, row, today))
                if own is not None and own.day >= today - AGAIN_DAYS:
                    found.append((row, own.day, own.step, False))
        if found:
            row, begin, step, is_raised = max(found, key=lambda item: _distance(item[2]))
            begin = first_day_of(panel, learned, row, begin, today)
            steps.append(ExplainedStep(number, names[row], begin, step, is_raised))
    return steps


def _clearest(
    panel: Panel, learned: Learned, row: int, raised: int, today: int
) -> list[tuple[int, SharedStep]]:
    """Return the step of a channel that best explains an alarm raised on a day, if any."""
    begins = [
        day
        for day in range(max(raised - RAISED_DAYS, panel.first_day), raised + 1)
        if np.isfinite(panel.level[row, day - panel.first_day])
    ]
    steps = [(day, judge(panel, learned, row, day, today)) for day in begins]
    known = [pair for pair in steps if np.isfinite(pair[1].size)]
    return [max(known, key=lambda pair: _distance(pair[1]))] if known else []


def _distance(step: SharedStep) -> float:
    return abs(step.size) / step.error


def _last_reading(panel: Panel, row: int, today: int) -> int:
    known = np.flatnonzero(np.isfinite(panel.level[row, : today - panel.first_day + 1]))
    return panel.first_day + int(known[-1]) if len(known) else panel.first_day


def _trend(level: Floats, is_calm: Bools, first_day: int) -> tuple[float, float] | None:
    """Return slope and standard error of the calm days of a channel, None if not clear."""
    used = np.flatnonzero(np.isfinite(level) & is_calm)
    if not len(used):
        return None
    zeros = np.zeros(len(used))
    numbers = zeros.astype(np.int64)
    days = Days(None, None, used + first_day, level[used], zeros, numbers + 1, zeros + 1.0, numbers)
    result = trend(days)
    if result.slope is None or len(result.steps) > MOST_STEPS:
        return None
    return result.slope.per_year, result.slope.error
