"""Exclusion of days that do not show the lasting state of the feedline: an open, ice, a mistake.

Days are excluded if they are far off the days around them and the level then comes back: single
days by some days before and after, spells of bad weather by some weeks. Longer departures are steps
and remain; so do the last days, which may be a new level. (The level is the median of the
neighbours, and distances are measured in their median: the Hampel identifier, R. K. Pearson, IEEE
Transactions on Control Systems Technology 10 (2002) 55.)
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.daily import FloatArray, IntArray

FAR = 7.0  # standard deviations from the median of the surrounding days
SIGMA_PER_MAD = 1.4826
SPELL_DAYS = 30  # from the first to the last day that are excluded together, at most


class Scale(NamedTuple):
    """Search for days far off: `around` days with readings on either side are the neighbours.

    At most `longest` days with readings are excluded together, if they are off by more than `least`
    in SWR.
    """

    around: int
    longest: int
    least: float


SCALES = Scale(4, 2, 0.1), Scale(20, 15, 0.05)


def plausible(day: IntArray, value: FloatArray) -> NDArray[np.bool_]:
    """Return the mask of daily values to use, (n,); `day` ascends."""
    used = np.ones(len(value), dtype=bool)
    for scale in SCALES:
        used[used] = ~_far(day[used], value[used], scale)
    return used


def _far(day: IntArray, value: FloatArray, scale: Scale) -> NDArray[np.bool_]:
    if len(value) < 2 * scale.around + 1:
        return np.zeros(len(value), dtype=bool)
    padded = np.pad(value, scale.around, mode="reflect")
    local_median = np.median(
        np.lib.stride_tricks.sliding_window_view(padded, 2 * scale.around + 1), axis=1
    )
    distance = np.abs(value - local_median)
    far = distance > max(scale.least, FAR * SIGMA_PER_MAD * float(np.median(distance)))
    edges = np.flatnonzero(np.diff(far.astype(np.int8), prepend=0, append=0))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        is_long = end - begin > scale.longest or day[end - 1] - day[begin] > SPELL_DAYS
        if is_long or end == len(value):
            far[begin:end] = False
    return far
