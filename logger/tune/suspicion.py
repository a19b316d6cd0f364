"""Detects readings that length does not explain, and names their sign.

The rules are common practice, no single source.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import msgspec
import numpy as np

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
    adjustment: Adjustment, positions: Sequence[Position], posterior: Posterior, target_khz: float
) -> Suspicion | None:
    """Return what the length does not explain in the readings, None if all fits."""
    here = positions[-1]
    if _unmoved(adjustment, positions, target_khz):
        low = max(each.swr for each in here.readings) < LOW_SWR
        return Suspicion("deaf" if low else "unmoved", instead=True)
    if posterior.misfit > MISFIT:
        return Suspicion("misfit", instead=True)
    readings = sorted(here.readings, key=lambda each: each.frequency_khz)
    ends = [float(rho_of_swr(each.swr)) for each in (readings[0], readings[-1])]
    lowest = min(each.swr for each in readings)
    level = len(readings) > 1 and abs(ends[0] - ends[1]) < LEVEL_RHO
    if level and lowest >= POOR_SWR and len({one.setting for one in positions}) > 1:
        return Suspicion("level", instead=False)
    return None


def _unmoved(adjustment: Adjustment, positions: Sequence[Position], target_khz: float) -> bool:
    """True if the setting was changed and the readings did not follow."""
    here = positions[-1]
    per_unit = adjustment.relative_change(positions[0].setting)
    compared = 0
    for one in positions[:-1]:
        if abs(one.setting - here.setting) * per_unit < ENOUGH_CHANGE:
            continue
        before = {each.frequency_khz: float(rho_of_swr(each.swr)) for each in one.readings}
        moved = [
            abs(float(rho_of_swr(each.swr)) - before[each.frequency_khz])
            for each in here.readings
            if each.frequency_khz in before
        ]
        if len(moved) < 2 or np.max(moved) > UNMOVED_RHO:
            return False
        compared += 1
    return compared > 0
