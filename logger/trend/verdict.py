"""What a trend comes to in one word."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import stdtrit

from logger.trend.outcome import SecondOpinion, Step, Verdict

CLAIM = 0.985  # how sure a rise or fall has to be
LEAST_SLOPE = 0.005  # SWR per year that is worth a word
STEADY = 0.05  # SWR per year: within this nothing is to be done


@dataclass(frozen=True)
class Slope:
    """SWR per year, its standard error and the degrees of freedom behind that."""

    per_year: float
    error: float
    freedom: float

    def interval(self, share: float = 0.95) -> tuple[float, float]:
        """Where the slope is with so much certainty."""
        reach = float(stdtrit(self.freedom, (1 + share) / 2)) * self.error
        return self.per_year - reach, self.per_year + reach


def verdict(slope: Slope | None, steps: Sequence[Step], opinion: SecondOpinion | None) -> Verdict:
    """A rise or fall needs a slope beyond doubt that the second opinion does not contradict."""
    unannounced = any(step.explained_by is None for step in steps)
    if slope is None:
        return "stepped" if unannounced else "undecided"
    low, high = slope.interval(CLAIM)
    agrees = opinion is None or opinion.slope_per_year * slope.per_year > 0
    if (low > 0 or high < 0) and agrees and abs(slope.per_year) >= LEAST_SLOPE:
        return "rising" if low > 0 else "falling"
    if unannounced:
        return "stepped"
    low, high = slope.interval()
    return "steady" if max(-low, high) <= STEADY else "undecided"
