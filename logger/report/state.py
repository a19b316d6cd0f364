"""What several channels say together of antenna and line, for the report."""

from __future__ import annotations

import msgspec

from logger.span import Span
from logger.trend.account import date
from logger.trend.state_outcome import StateVerdict, StationState


class StateLine(msgspec.Struct, frozen=True, kw_only=True):
    """What several channels say of antenna and line, see `logger.trend.state_outcome`; days as
    dates."""

    verdict: StateVerdict
    or_else: tuple[StateVerdict, ...]
    channels: int
    first: str
    last: str
    resonance_khz: Span
    resonance_khz_per_year: Span | None
    loss_db: Span
    loss_db_per_year: Span | None
    resistance_ohm: Span
    q: Span
    reasons: tuple[str, ...]


def state_line(state: StationState) -> StateLine:
    fields = msgspec.structs.asdict(state)
    return StateLine(**{**fields, "first": date(state.first), "last": date(state.last)})


def causes(state: StateLine | None) -> list[str]:
    """Of those that a diagnosis knows, which should be looked for. A line that loses less asks for
    nothing; neither does what is undecided."""
    if state is None:
        return []
    growth, found = state.loss_db_per_year, []
    if state.verdict in ("loss", "both") and growth is not None and growth.value > 0:
        found.append("wet-line")
    if state.verdict in ("resonance", "both"):
        found.append("antenna-moved")
    return found


def story(verdict: StateVerdict, state: StateLine) -> str:
    """What changes, and which way by the best guess."""
    growth, move = state.loss_db_per_year, state.resonance_khz_per_year
    loss = "the line loses " + ("less" if growth is not None and growth.value < 0 else "more")
    resonance = "the antenna's resonance moves " + (
        "down" if move is not None and move.value < 0 else "up"
    )
    stories: dict[StateVerdict, str] = {
        "unchanged": "neither the antenna's resonance nor the line's loss changes",
        "loss": f"{loss} than before",
        "resonance": resonance,
        "both": f"{resonance}, and {loss}",
        "resistance": "the antenna's resistance changes",
    }
    return stories.get(verdict, "something changes")
