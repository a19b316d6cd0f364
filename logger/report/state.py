"""Estimate of antenna and line from several channels together, for the report."""

from __future__ import annotations

import msgspec

from logger.physics.estimate import Estimate
from logger.places import with_antenna
from logger.trend.outcome import StateVerdict


class StateLine(msgspec.Struct, frozen=True, kw_only=True):
    """Estimate of antenna and line, see `logger.trend.outcome`; days are dates."""

    verdict: StateVerdict
    or_else: tuple[StateVerdict, ...]
    channels: int
    first: str
    last: str
    resonance_khz: Estimate
    resonance_khz_per_year: Estimate | None
    loss_db: Estimate
    loss_db_per_year: Estimate | None
    resistance_ohm: Estimate
    q: Estimate
    reasons: tuple[str, ...]
    antenna: str | None = None

    @property
    def subject(self) -> str:
        """The channels that it is about, in words."""
        return with_antenna(f"{self.channels} channels", self.antenna)


def causes(state: StateLine | None) -> list[str]:
    """Return the diagnosis causes that the estimate suggests.

    A line that loses less needs no check, and neither does an undecided verdict.
    """
    if state is None:
        return []
    growth, names = state.loss_db_per_year, []
    if state.verdict in ("loss", "both") and growth is not None and growth.low > 0:
        names.append("wet-line")
    if state.verdict in ("resonance", "both"):
        names.append("antenna-moved")
    return names


def direction(span: Estimate | None) -> int | None:
    """Return 1 or -1 if the whole interval is on that side of 0, else None."""
    if span is None or span.low <= 0 <= span.high:
        return None
    return 1 if span.low > 0 else -1


def story(verdict: StateVerdict, state: StateLine) -> str:
    """Return the verdict in words, with its direction if the 95 % interval excludes 0."""
    loss, resonance = "the line's loss changes", "the antenna's resonance moves"
    if (growth := direction(state.loss_db_per_year)) is not None:
        loss = f"the line loses {'less' if growth < 0 else 'more'} than before"
    if (move := direction(state.resonance_khz_per_year)) is not None:
        resonance += " down" if move < 0 else " up"
    stories: dict[StateVerdict, str] = {
        "unchanged": "neither the antenna's resonance nor the line's loss changes",
        "loss": loss,
        "resonance": resonance,
        "both": f"{resonance}, and {loss}",
        "resistance": "the antenna's resistance changes",
        "coupler": "the balance of the coupler's ports drifts",
    }
    return stories.get(verdict, "something changes")
