"""What is said of the antenna and the line."""

from __future__ import annotations

from typing import Literal

import msgspec

from logger.physics.estimate import Estimate

StateVerdict = Literal["unchanged", "loss", "resonance", "both", "resistance", "undecided"]


class StationState(msgspec.Struct, frozen=True, kw_only=True):
    """What several channels say together.

    verdict   what changes: the line's loss, the antenna's resonance, both, its resistance, nothing
    or_else   what the readings do not rule out besides; of "undecided" the stories between which
    first, last  days, from 1970-01-01
    resonance_khz, loss_db, resistance_ohm, q   on the last day; loss and resistance are hardly told
              apart as levels, so their intervals are wide
    .._per_year   None with less than a year of readings; that of the loss also where the antenna's
              resistance tells the readings better
    reasons   why something cannot be said
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
