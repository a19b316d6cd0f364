"""Compares present SWR with last month, last year and the last repair. Pure, on daily values."""

from __future__ import annotations

import math

import msgspec
import numpy as np

from logger.blocks import Bools
from logger.physics.reflection import COVERAGE
from logger.trend.account import ChannelAccount

MONTH, YEAR = 30, 365  # days
LEAST_DAYS = 3  # in each of the two periods compared
MEDIAN = math.pi / 2  # variance of a median over that of a mean, normal values
SURE = 3.0  # standard deviations for a change; strict, as several channels are compared three times
WORTH = 0.03  # SWR; a smaller change is ignored, however certain


class ChannelChange(msgspec.Struct, frozen=True):
    """Change on one channel; `low` and `high` are the 95 % interval of after - before."""

    channel: int | None
    frequency_khz: float | None
    against: str  # "month", "year" or "repair"
    before: float
    after: float
    low: float
    high: float
    changed: bool
    season_removed: bool


def changes(channel: ChannelAccount, repair: int | None) -> list[ChannelChange]:
    """Return the possible comparisons.

    `repair` is the day of the last work on the station, or None.
    """
    day, last = channel.days.day, channel.trend.last
    now, lately = day > last - 28, day > last - 14

    def around(middle: int, half: int) -> Bools:
        return np.asarray(abs(day - middle) <= half)

    compared = [
        ("month", around(last - MONTH, 7), lately),
        ("year", around(last - YEAR, 14), now),
    ]
    if repair is not None and repair + 28 < last - 28:
        compared.append(("repair", (repair < day) & (day <= repair + 28), now))
    made = (_change(channel, name, before, after) for name, before, after in compared)
    return [one for one in made if one is not None]


def _change(
    channel: ChannelAccount, against: str, before: Bools, after: Bools
) -> ChannelChange | None:
    if min(before.sum(), after.sum()) < LEAST_DAYS:
        return None
    used, trend = channel.days, channel.trend
    values = used.swr - np.interp(used.day, trend.curve.day, trend.curve.season)
    first, second = (float(np.median(values[some])) for some in (before, after))
    sd = math.hypot(*(_sd(trend.noise, trend.correlation, some.sum()) for some in (before, after)))
    moved = second - first
    return ChannelChange(
        used.channel,
        used.frequency_khz,
        against,
        first,
        second,
        moved - COVERAGE * sd,
        moved + COVERAGE * sd,
        abs(moved) > max(SURE * sd, WORTH),
        trend.season_amplitude is not None,
    )


def _sd(noise: float, correlation: float, count: float) -> float:
    """Return the standard deviation of the median of `count` days, correlated day to day."""
    own = max(count * (1 - correlation) / (1 + correlation), 1.0)
    return noise * math.sqrt(MEDIAN / own)
