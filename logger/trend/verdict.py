"""Verdict of a trend in one word."""

from __future__ import annotations

from collections.abc import Sequence

from logger.trend.outcome import SecondOpinion, Slope, Step, Verdict

CLAIM = 0.985  # confidence needed for a rise or fall
LEAST_SLOPE = 0.005  # SWR per year, smallest slope reported
STEADY = 0.05  # SWR per year: within this no action is needed


def verdict(slope: Slope | None, steps: Sequence[Step], opinion: SecondOpinion | None) -> Verdict:
    """Return the verdict; a rise or fall needs a significant slope and no contrary opinion."""
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
