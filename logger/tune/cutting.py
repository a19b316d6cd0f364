"""Limits how much to cut off an antenna that cannot be made longer again.

Cuts approach the mark, the right length for the target, from the long side. The first cut is small
and shows how far a cut moves the resonance; no cut follows one that lowered nothing; none is much
longer than the longest before it; and none may end far beyond the mark, given the uncertainty of
the estimate. Pure: takes draws of the posterior, returns a change of length.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from logger.blocks import Floats
from logger.physics.reflection import rho_of_swr
from logger.tune.positions import STEP, Adjustment, Position, Unit

# Distance by which the 95 % interval of a cut's end may extend beyond the mark; the quantile is
# slightly farther out than that of the interval, as a session has several cuts.
MARGIN: dict[Unit, float] = {"mm": 2.0, "turns": 0.05, "marks": 0.1}
QUANTILE = 0.98
FIRST_CUT = 0.0025  # of the length in mm, and
LEAST_FIRST: dict[Unit, float] = {"mm": 3.0, "turns": 0.25, "marks": 0.5}  # no less than this
GROWTH = 3.0  # largest ratio of a cut to the longest before it
LEAST_SHARE = 0.03  # of the median of the remaining length: less is not worth a step
LEAST_STEPS = 2  # of `STEP`, likewise
SHOWN_RHO = 0.004  # fall of the highest reflection by a cut, below which none follows
FAR_SWR = 4.0  # at the best channel; above this a reading shows only the direction
BEYOND = 0.9  # probability above which the antenna is called too short


def cut_change(adjustment: Adjustment, positions: Sequence[Position], need: Floats) -> float:
    """Return the change of length by the next cut, <= 0; zero if no cut is safe and worthwhile.

    `need` are draws of the change of length to the mark, (n,), negative if too long.
    """
    unit = adjustment.unit
    median, mark = np.quantile(need, (0.5, QUANTILE))
    most = _longest(adjustment, positions)
    if most == 0.0:
        return 0.0
    change = min(0.0, max(float(median), float(mark) - MARGIN[unit], -most))
    least = max(LEAST_STEPS * STEP[unit], LEAST_SHARE * abs(float(median)))
    return change if -change >= min(least, most) else 0.0


def _longest(adjustment: Adjustment, positions: Sequence[Position]) -> float:
    """Return the longest cut that the previous cuts allow."""
    unit = adjustment.unit
    settings = [position.setting for position in positions]
    if len(positions) > 1 and not _has_helped(*positions[-2:]):
        return 0.0
    longest = max((abs(b - a) for a, b in pairwise(settings)), default=0.0)
    length = adjustment.length_mm or settings[0]
    first = max(FIRST_CUT * length if unit == "mm" else 0.0, LEAST_FIRST[unit])
    return max(GROWTH * longest, first)


def _has_helped(previous: Position, present: Position) -> bool:
    """True if the cut lowered the highest reflection, or if all readings are too high to judge."""
    swrs = [{r.frequency_khz: r.swr for r in position.readings} for position in (previous, present)]
    shared = swrs[0].keys() & swrs[1].keys()
    if not shared or min(swrs[1].values()) >= FAR_SWR:
        return True
    highest = [float(rho_of_swr(max(swr[khz] for khz in shared))) for swr in swrs]
    return highest[1] < highest[0] - SHOWN_RHO


def went_too_far(adjustment: Adjustment, positions: Sequence[Position], need: Floats) -> bool:
    """True if the last cut passed the mark: the antenna is too short now and was too long before.

    `need` are draws of the change of length to the mark for each position, (n, positions).
    """
    if not adjustment.cut or len(positions) < 2:
        return False
    shortened = adjustment.sign * (positions[-1].setting - positions[-2].setting) < 0
    short = np.mean(need > 0, axis=0)
    return bool(shortened and short[-1] >= BEYOND and short[-2] < 0.5)
