"""Result of the fit of antenna and line."""

from __future__ import annotations

from typing import Literal

import msgspec

from logger.physics.estimate import Estimate

StateVerdict = Literal["unchanged", "loss", "resonance", "both", "resistance", "undecided"]


class StationState(msgspec.Struct, frozen=True, kw_only=True):
    """Combined result of several channels.

    verdict   what changes: the line's loss, the antenna's resonance, both, its resistance, nothing
    or_else   what else is possible; with "undecided" the possible stories
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
