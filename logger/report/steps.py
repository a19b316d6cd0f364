"""Unannounced steps grouped over the channels: dates and sizes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from scipy.special import chdtri

from logger.trend.account import Account, ChannelAccount, date, name_channels
from logger.trend.outcome import Step

RECENT = 365  # days for which an unannounced step is recent
TOGETHER = 14  # days within which steps of channels count as one
DOUBT = 0.05  # probability of calling equal sizes different
REACH = 60  # days on either side that determine the size of a step
LEAST_ERROR = 0.01  # SWR, of a size


class CommonStep(NamedTuple):
    """A step on one or several channels, dated by the channel with the shortest interval.

    low, high  the days of the 95 % interval of that channel
    size       SWR, weighted mean
    sizes      least and greatest; None if the channels may have changed by the same amount
    """

    day: int
    low: int
    high: int
    channels: tuple[ChannelAccount, ...]
    size: float
    sizes: tuple[float, float] | None

    @property
    def words(self) -> str:
        """Description for the headline."""
        when = date(self.day)
        if self.low < self.high:
            when += f" ({date(self.low)} to {date(self.high)})"
        amount = f"{self.size:+.2f}"
        if self.sizes is not None:
            amount = f"{self.sizes[0]:+.2f} to {self.sizes[1]:+.2f}"
        names = name_channels([channel.days for channel in self.channels])
        return f"SWR changed by {amount} on {names} on {when}, with no journal entry"


def unannounced(account: Account) -> list[CommonStep]:
    """Return recent steps without an explanation, the latest first."""
    steps = sorted(
        (
            (step, channel)
            for channel in account.channels
            for step in channel.trend.steps
            if step.explained_by is None and account.today - step.day <= RECENT
        ),
        key=lambda pair: pair[0].day,
    )
    groups: list[list[tuple[Step, ChannelAccount]]] = []
    for step, channel in steps:
        last = groups[-1] if groups else None
        if (
            last is not None
            and step.day - last[0][0].day <= TOGETHER
            and all(channel is not member for _, member in last)
        ):
            last.append((step, channel))
        else:
            groups.append([(step, channel)])
    return [_common(group) for group in reversed(groups)]


def _common(group: Sequence[tuple[Step, ChannelAccount]]) -> CommonStep:
    sizes = np.array([step.new_level - step.old_level for step, _ in group])
    errors = np.array([_error(step, channel) for step, channel in group])
    best = min((step for step, _ in group), key=lambda step: step.day_high - step.day_low)
    is_same = is_homogeneous(sizes, errors)
    return CommonStep(
        best.day,
        best.day_low,
        best.day_high,
        tuple(channel for _, channel in group),
        float(np.average(sizes, weights=errors**-2)),
        None if is_same else (float(sizes.min()), float(sizes.max())),
    )


def is_homogeneous(sizes: Iterable[float], errors: Iterable[float]) -> bool:
    """True if sizes with standard errors may be equal: Cochran's chi-square test."""
    size, weight = np.array(list(sizes)), np.array(list(errors)) ** -2.0
    if len(size) < 2:
        return True
    rest = size - np.average(size, weights=weight)
    return bool(weight @ rest**2 <= chdtri(len(size) - 1, DOUBT))


def _error(step: Step, channel: ChannelAccount) -> float:
    """Return the standard error of a step's size, from the days on either side."""
    day, trend = channel.days.day, channel.trend
    inflation = (1 + trend.correlation) / (1 - min(trend.correlation, 0.95))
    counts = (
        int(((day >= step.day - REACH) & (day < step.day)).sum()),
        int(((day >= step.day) & (day < step.day + REACH)).sum()),
    )
    variance = sum(trend.noise**2 * inflation / max(count, 1) for count in counts)
    return max(LEAST_ERROR, math.sqrt(variance))
