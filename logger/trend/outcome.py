"""Results: the trend of one channel (SWR), and the state of antenna and line. 95 % intervals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import msgspec

from logger.daily import FloatArray, IntArray
from logger.physics.estimate import Estimate

Verdict = Literal["steady", "rising", "falling", "stepped", "undecided"]
StateVerdict = Literal[
    "unchanged", "loss", "resonance", "both", "resistance", "coupler", "undecided"
]


@dataclass(frozen=True)
class Step:
    """Lasting change from one day to the next: `day` is the first at the new level."""

    day: int
    day_low: int
    day_high: int
    old_level: float
    new_level: float
    explained_by: str | None  # journal text, calibration, temperature; None: unannounced


@dataclass(frozen=True)
class Slope:
    """SWR per year, its standard error and its degrees of freedom."""

    per_year: float
    error: float
    freedom: float

    def interval(self, share: float = 0.95) -> tuple[float, float]:
        """Return the interval of the slope at a confidence level."""
        from scipy.special import stdtrit  # which the names of channels do not need

        reach = float(stdtrit(self.freedom, (1 + share) / 2)) * self.error
        return self.per_year - reach, self.per_year + reach

    @property
    def p_value(self) -> float:
        """Two-sided p-value of no slope."""
        from scipy.special import stdtr

        return 2 * float(stdtr(self.freedom, -abs(self.per_year) / self.error))


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
    then states; these also name a season of the detectors.
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
    antenna: str | None = None
    slope: Slope | None = None  # that of `slope_per_year`


class StationState(msgspec.Struct, frozen=True, kw_only=True):
    """Combined result of several channels.

    verdict   what changes: the line's loss, the antenna's resonance, both, its resistance, nothing
    or_else   what else is possible; with "undecided" the possible stories. "coupler": the balance
              of its ports drifts, which looks like a changing loss
    first, last  days, from 1970-01-01
    resonance_khz, loss_db, resistance_ohm, q   on the last day; levels of loss and resistance are
              hard to separate, so their intervals are wide
    .._per_year   None with less than a year of readings; that of the loss also where a change of
              the antenna's resistance fits the readings better
    reasons   why a result is missing
    """

    verdict: StateVerdict
    or_else: tuple[StateVerdict, ...]
    channels: int
    first: int
    last: int
    resonance_khz: Estimate
    loss_db: Estimate
    resistance_ohm: Estimate
    q: Estimate
    resonance_khz_per_year: Estimate | None = None
    loss_db_per_year: Estimate | None = None
    reasons: tuple[str, ...] = ()
    antenna: str | None = None
