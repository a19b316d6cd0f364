"""What the loss of the installed line has done over the years, from its readings."""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from logger.feedline.measurement import (
    TOGETHER_NS,
    Bounds,
    LineLoss,
    mean_of,
    same_frequency,
    verdict,
)


class Course(msgspec.Struct, frozen=True):
    """Readings at one frequency; the change in dB since the first, with its 95 % interval, is None
    where there is nothing to compare or a loss is more than can be told.

    The interval takes the errors of both readings for independent. With the same calibration much
    of them is common, so it is rather too wide.
    """

    first: LineLoss
    last: LineLoss
    bounds: Bounds  # of the last, with the other far end where that was measured too
    verdict: str  # of the last, see `measurement.verdict`
    change_db: float | None
    change_low_db: float | None
    change_high_db: float | None

    @property
    def loses_more(self) -> bool:
        """Whether it loses more than it did, or than its cable should."""
        grown = self.change_low_db is not None and self.change_low_db > 0
        return self.verdict == "more" or grown

    @property
    def changed(self) -> bool:
        """Whether the change is beyond doubt."""
        low, high = self.change_low_db, self.change_high_db
        return low is not None and high is not None and (low > 0 or high < 0)


def courses(readings: Sequence[LineLoss]) -> list[Course]:
    """One for each frequency, from all readings, oldest first."""
    groups: list[list[LineLoss]] = []
    for one in readings:
        group = next((each for each in groups if same_frequency(each[0], one)), None)
        if group is None:
            groups.append([one])
        else:
            group.append(one)
    return [_course(group) for group in groups]


def _course(readings: Sequence[LineLoss]) -> Course:
    sittings: list[list[LineLoss]] = []
    for one in readings:
        if sittings and one.time_ns - sittings[-1][0].time_ns < TOGETHER_NS:
            sittings[-1].append(one)
        else:
            sittings.append([one])
    begin, end = _bounds(sittings[0]), _bounds(sittings[-1])
    last = sittings[-1][-1]
    change: tuple[float | None, ...] = (None, None, None)
    if len(sittings) > 1:
        change = _change(begin, end)
    return Course(sittings[0][0], last, end, verdict(last), *change)


def _bounds(sitting: Sequence[LineLoss]) -> Bounds:
    last = sitting[-1]
    other = next((one for one in reversed(sitting) if one.far_end != last.far_end), None)
    mean = None if other is None else mean_of(last.bounds, other.bounds)
    return last.bounds if mean is None else mean


def _change(begin: Bounds, end: Bounds) -> tuple[float | None, float | None, float | None]:
    losses = (begin.loss_db, begin.high_db, end.loss_db, end.high_db)
    if any(value is None for value in losses):
        return None, None, None
    first, first_high, last, last_high = (float(value) for value in losses if value is not None)
    low = math.hypot(last - end.low_db, first_high - first)
    high = math.hypot(last_high - last, first - begin.low_db)
    return last - first, last - first - low, last - first + high
