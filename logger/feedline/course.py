"""Change of the loss of the installed line over the years, from its readings."""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from logger.feedline.measurement import (
    TOGETHER_NS,
    Bounds,
    LineLoss,
    is_comparable,
    mean_of,
    verdict,
)


class Course(msgspec.Struct, frozen=True):
    """First and last reading at one frequency, and the change of the loss between them.

    The change is in dB with its 95 % interval; None if there is nothing to compare or a loss has no
    upper bound. The interval takes the errors of both readings as independent. With the same
    calibration they share much of their error, so the interval is wider than necessary.
    """

    first: LineLoss
    last: LineLoss
    bounds: Bounds  # of the last reading, averaged with the other far end if that was measured too
    verdict: str  # of the last reading; see `measurement.verdict`
    change_db: float | None
    change_low_db: float | None
    change_high_db: float | None

    @property
    def loses_more(self) -> bool:
        """True if the loss has grown, or exceeds the nominal of the cable."""
        grown = self.change_low_db is not None and self.change_low_db > 0
        return self.verdict == "more" or grown

    @property
    def changed(self) -> bool:
        """True if the change is significant: its 95 % interval excludes 0."""
        low, high = self.change_low_db, self.change_high_db
        return low is not None and high is not None and (low > 0 or high < 0)


def courses(readings: Sequence[LineLoss]) -> list[Course]:
    """Return one course per line and frequency, from all readings, oldest first."""
    groups: list[list[LineLoss]] = []
    for reading in readings:
        for group in groups:
            if is_comparable(group[0], reading):
                group.append(reading)
                break
        else:
            groups.append([reading])
    return [_course(group) for group in groups]


def _course(readings: Sequence[LineLoss]) -> Course:
    sittings: list[list[LineLoss]] = []
    for reading in readings:
        if sittings and reading.time_ns - sittings[-1][0].time_ns < TOGETHER_NS:
            sittings[-1].append(reading)
        else:
            sittings.append([reading])
    begin, end = _bounds(sittings[0]), _bounds(sittings[-1])
    last = sittings[-1][-1]
    change: tuple[float | None, ...] = (None, None, None)
    if len(sittings) > 1:
        change = _change(begin, end)
    return Course(sittings[0][0], last, end, verdict(last), *change)


def _bounds(sitting: Sequence[LineLoss]) -> Bounds:
    last = sitting[-1]
    ends = (loss for loss in reversed(sitting) if loss.far_end != last.far_end)
    other_end = next(ends, None)
    mean = None if other_end is None else mean_of(last.bounds, other_end.bounds)
    return last.bounds if mean is None else mean


def _change(begin: Bounds, end: Bounds) -> tuple[float | None, float | None, float | None]:
    losses = (begin.loss_db, begin.high_db, end.loss_db, end.high_db)
    if any(value is None for value in losses):
        return None, None, None
    first, first_high, last, last_high = (float(value) for value in losses if value is not None)
    low = math.hypot(last - end.low_db, first_high - first)
    high = math.hypot(last_high - last, first - begin.low_db)
    return last - first, last - first - low, last - first + high
