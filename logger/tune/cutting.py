"""How much to cut off an antenna that can never be made longer again.

Cuts approach the mark, the length that is right at the target, from the long side. The first cut is
small and shows how far a cut moves the resonance; a cut that lowers nothing is the last; none is
much longer than the longest before it; and none may end far beyond the mark, with the doubt of the
estimate. Pure: draws of the posterior in, a change of length out.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from logger.blocks import Floats
from logger.physics.reflection import rho_of_swr
from logger.tune.positions import STEP, Adjustment, Position, Unit

# How far the 95 % interval of where a cut ends may reach beyond the mark; the quantile is a little
# further out than that interval's, as a session is several cuts.
MARGIN: dict[Unit, float] = {"mm": 2.0, "turns": 0.05, "marks": 0.1}
QUANTILE = 0.98
FIRST_CUT = 0.0025  # of the length in mm, and
LEAST_FIRST: dict[Unit, float] = {"mm": 3.0, "turns": 0.25, "marks": 0.5}  # no less than this
GROWTH = 3.0  # of a cut over the longest before it
LEAST_SHARE = 0.03  # of the median of what is left: less is not worth the walk
LEAST_STEPS = 2  # of `STEP`, likewise
SHOWN_RHO = 0.004  # fall of the highest reflection by a cut, without which none follows
FAR_SWR = 4.0  # at the best channel; from here on a reading says which way, not how far
BEYOND = 0.9  # probability of being too short, from which on that is said


def cut_change(adjustment: Adjustment, positions: Sequence[Position], need: Floats) -> float:
    """Return the change of length by the next cut: negative, or zero where no cut is both safe and
    worth it.

    need  draws of the change of length to the mark, (n,); negative where it is too long
    """
    unit = adjustment.unit
    wanted, mark = np.quantile(need, (0.5, QUANTILE))
    most = _longest(adjustment, positions)
    if most == 0.0:
        return 0.0
    change = min(0.0, max(float(wanted), float(mark) - MARGIN[unit], -most))
    least = max(LEAST_STEPS * STEP[unit], LEAST_SHARE * abs(float(wanted)))
    return change if -change >= min(least, most) else 0.0


def _longest(adjustment: Adjustment, positions: Sequence[Position]) -> float:
    """The longest cut that the cuts so far allow."""
    unit = adjustment.unit
    settings = [one.setting for one in positions]
    if len(positions) > 1 and not _has_shown(*positions[-2:]):
        return 0.0
    before = max((abs(b - a) for a, b in pairwise(settings)), default=0.0)
    length = adjustment.length_mm or settings[0]
    first = max(FIRST_CUT * length if unit == "mm" else 0.0, LEAST_FIRST[unit])
    return max(GROWTH * before, first)


def _has_shown(before: Position, here: Position) -> bool:
    """True if the cut has lowered the highest reflection, or all of it is too high to tell."""
    then, now = ({each.frequency_khz: each.swr for each in one.readings} for one in (before, here))
    shared = then.keys() & now.keys()
    if not shared or min(now.values()) >= FAR_SWR:
        return True
    highest = [float(rho_of_swr(max(swrs[khz] for khz in shared))) for swrs in (then, now)]
    return highest[1] < highest[0] - SHOWN_RHO


def went_too_far(adjustment: Adjustment, positions: Sequence[Position], need: Floats) -> bool:
    """True if the last cut passed the mark: it is too short now and was too long before.

    need  draws of the change of length to the mark for each position, (n, positions)
    """
    if not adjustment.cut or len(positions) < 2:
        return False
    shortened = adjustment.sign * (positions[-1].setting - positions[-2].setting) < 0
    short = np.mean(need > 0, axis=0)
    return bool(shortened and short[-1] >= BEYOND and short[-2] < 0.5)
