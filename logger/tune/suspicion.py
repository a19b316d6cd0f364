"""Detects readings that length does not explain, and names their sign.

The rules are common practice, no single source.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import msgspec

from logger.physics.reflection import rho_of_swr
from logger.tune.estimate import Posterior
from logger.tune.positions import Adjustment, Position

Sign = Literal["unmoved", "deaf", "level", "misfit"]

ENOUGH_CHANGE = 0.006  # relative change of the resonance that must be visible
UNMOVED_RHO = 0.02
LOW_SWR, POOR_SWR = 1.3, 1.8
LEVEL_RHO = 0.04
MISFIT = 9.0  # mean square


class Suspicion(msgspec.Struct, frozen=True):
    """`sign` is the observation; `instead` if it must be checked before further adjustment."""

    sign: Sign
    instead: bool


def suspicion(
    adjustment: Adjustment, positions: Sequence[Position], posterior: Posterior
) -> Suspicion | None:
    """Return what the length does not explain in the readings, None if all fits."""
    present = positions[-1]
    if _unmoved(adjustment, positions):
        is_low = present.highest_swr < LOW_SWR
        return Suspicion("deaf" if is_low else "unmoved", instead=True)
    if posterior.misfit > MISFIT:
        return Suspicion("misfit", instead=True)
    rho = [float(rho_of_swr(reading.swr)) for reading in present.by_frequency]
    is_level = len(rho) > 1 and abs(rho[0] - rho[-1]) < LEVEL_RHO
    has_moved = len({position.setting for position in positions}) > 1
    if is_level and present.lowest_swr >= POOR_SWR and has_moved:
        return Suspicion("level", instead=False)
    return None


def _unmoved(adjustment: Adjustment, positions: Sequence[Position]) -> bool:
    """True if the setting was changed and the readings did not follow."""
    present = positions[-1]
    per_unit = adjustment.relative_change(positions[0].setting)
    compared = 0
    for position in positions[:-1]:
        if abs(position.setting - present.setting) * per_unit < ENOUGH_CHANGE:
            continue
        earlier = {r.frequency_khz: float(rho_of_swr(r.swr)) for r in position.readings}
        changes = [
            abs(float(rho_of_swr(reading.swr)) - earlier[reading.frequency_khz])
            for reading in present.readings
            if reading.frequency_khz in earlier
        ]
        if len(changes) < 2 or max(changes) > UNMOVED_RHO:
            return False
        compared += 1
    return compared > 0
