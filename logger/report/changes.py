"""Compares present SWR with last month, last year and the last repair. Pure, on daily values."""

from __future__ import annotations

import math

import msgspec
import numpy as np

from logger.blocks import Bools
from logger.physics.reflection import COVERAGE
from logger.trend.account import ChannelAccount, channel_name

MONTH, YEAR = 30, 365  # days
LEAST_DAYS = 3  # in each of the two periods compared
MEDIAN = math.pi / 2  # variance of a median over that of a mean, normal values
SURE = 3.0  # standard deviations for a change; strict, as several channels are compared three times
WORTH = 0.03  # SWR; a smaller change is ignored, however certain


class ChannelLine(msgspec.Struct, frozen=True, kw_only=True):
    """Figures of the report on one channel or frequency."""

    channel: int | None
    frequency_khz: float | None
    antenna: str | None = None

    @property
    def name(self) -> str:
        return channel_name(self.channel, self.frequency_khz, self.antenna)


class ChannelChange(ChannelLine, frozen=True, kw_only=True):
    """Change on one channel; `low` and `high` are the 95 % interval of after - before."""

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
    last_month, recent = day > last - 28, day > last - 14

    def days_around(middle: int, half: int) -> Bools:
        return np.asarray(abs(day - middle) <= half)

    periods = [
        ("month", days_around(last - MONTH, 7), recent),
        ("year", days_around(last - YEAR, 14), last_month),
    ]
    if repair is not None and repair + 28 < last - 28:
        periods.append(("repair", (repair < day) & (day <= repair + 28), last_month))
    comparisons = (_change(channel, name, before, after) for name, before, after in periods)
    return [change for change in comparisons if change is not None]


def _change(
    channel: ChannelAccount, against: str, earlier: Bools, later: Bools
) -> ChannelChange | None:
    if min(earlier.sum(), later.sum()) < LEAST_DAYS:
        return None
    days, trend = channel.days, channel.trend
    values = days.swr - np.interp(days.day, trend.curve.day, trend.curve.season)
    level, new_level = (float(np.median(values[mask])) for mask in (earlier, later))
    sd = math.hypot(*(_sd(trend.noise, trend.correlation, mask.sum()) for mask in (earlier, later)))
    difference = new_level - level
    return ChannelChange(
        channel=days.channel,
        frequency_khz=days.frequency_khz,
        antenna=days.antenna,
        against=against,
        before=level,
        after=new_level,
        low=difference - COVERAGE * sd,
        high=difference + COVERAGE * sd,
        changed=abs(difference) > max(SURE * sd, WORTH),
        season_removed=trend.season_amplitude is not None,
    )


def _sd(noise: float, correlation: float, count: float) -> float:
    """Return the standard deviation of the median of `count` days, correlated day to day."""
    independent = max(count * (1 - correlation) / (1 + correlation), 1.0)
    return noise * math.sqrt(MEDIAN / independent)
