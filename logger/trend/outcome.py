"""What a trend says of one channel. SWR throughout; intervals are of 95 %."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from logger.daily import FloatArray, IntArray

Verdict = Literal["steady", "rising", "falling", "stepped", "undecided"]


@dataclass(frozen=True)
class Step:
    """A lasting change from one day to the next: `day` is the first at the new level."""

    day: int
    day_low: int
    day_high: int
    before: float
    after: float
    explained_by: str | None  # what the journal says of it, or "calibration"; None: unannounced


@dataclass(frozen=True)
class SecondOpinion:
    """The trend without a model: seasonal Mann-Kendall and Theil-Sen, steps taken away."""

    p_value: float
    slope_per_year: float
    slope_low: float
    slope_high: float


@dataclass(frozen=True)
class Curve:
    """The model over every day from the first to the last, arrays of shape (m,)."""

    day: IntArray
    swr: FloatArray
    low: FloatArray  # the band of what the model says, not of single days
    high: FloatArray
    season: FloatArray  # what season and weather add, to be taken away from the daily values


@dataclass(frozen=True)
class Trend:
    """What one channel has been doing.

    Slope and season are None where the data cannot tell them apart (less than a year), and
    `reasons` says so.
    """

    channel: int | None
    frequency_khz: float | None
    verdict: Verdict
    since: (
        int  # first day of the stretch that the verdict is about: the last step, or the first day
    )
    last: int
    days: int  # with readings, since then
    level: float  # at the end, season taken away
    slope_per_year: float | None
    slope_low: float | None
    slope_high: float | None
    season_amplitude: float | None  # half of peak to peak
    steps: tuple[Step, ...]
    noise: float  # standard deviation of daily values about the model
    correlation: float  # of one day's departure with the next one's
    curve: Curve
    second_opinion: SecondOpinion | None
    reasons: tuple[str, ...]  # short sentences: what could not be said, and why
