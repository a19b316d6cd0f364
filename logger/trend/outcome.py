"""Result of the trend of one channel. SWR throughout; intervals are of 95 %."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from logger.daily import FloatArray, IntArray

Verdict = Literal["steady", "rising", "falling", "stepped", "undecided"]


@dataclass(frozen=True)
class Step:
    """Lasting change from one day to the next: `day` is the first at the new level."""

    day: int
    day_low: int
    day_high: int
    before: float
    after: float
    explained_by: str | None  # journal text, or "calibration"; None: unannounced


@dataclass(frozen=True)
class SecondOpinion:
    """Trend without a model: seasonal Mann-Kendall and Theil-Sen, steps removed."""

    p_value: float
    slope_per_year: float
    slope_low: float
    slope_high: float


@dataclass(frozen=True)
class Curve:
    """Model on every day from the first to the last, arrays of shape (m,)."""

    day: IntArray
    swr: FloatArray
    low: FloatArray  # band of the model, not of single days
    high: FloatArray
    season: FloatArray  # contribution of season and weather, to be subtracted from the daily values


@dataclass(frozen=True)
class Trend:
    """Trend of one channel.

    Slope and season are None where the data cannot separate them (less than a year), as `reasons`
    then states.
    """

    channel: int | None
    frequency_khz: float | None
    verdict: Verdict
    since: int  # first day of the verdict's period: the last step, or the first day
    last: int
    days: int  # with readings, since then
    level: float  # at the end, season removed
    slope_per_year: float | None
    slope_low: float | None
    slope_high: float | None
    season_amplitude: float | None  # half of peak to peak
    steps: tuple[Step, ...]
    noise: float  # standard deviation of daily values about the model
    correlation: float  # of successive days' departures
    curve: Curve
    second_opinion: SecondOpinion | None
    reasons: tuple[str, ...]  # short sentences: missing results, and why
