"""Exclusion of days that do not show the state of the feedline: an open, ice, a mistake.

A day is excluded if it, alone or with the next, is far off the surrounding days; longer departures
are steps or weather, and remain.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from logger.daily import FloatArray

AROUND = 4  # days with readings on either side
FAR = 7.0  # standard deviations of single days from the median of the surrounding days
LEAST = 0.1  # SWR
SIGMA_PER_MAD = 1.4826
LONGEST = 2


def plausible(value: FloatArray) -> NDArray[np.bool_]:
    """Return the mask of daily values, in order, to use, (n,)."""
    if len(value) < 2 * AROUND + 1:
        return np.ones(len(value), dtype=bool)
    padded = np.pad(value, AROUND, mode="reflect")
    local_median = np.median(
        np.lib.stride_tricks.sliding_window_view(padded, 2 * AROUND + 1), axis=1
    )
    distance = np.abs(value - local_median)
    far = distance > max(LEAST, FAR * SIGMA_PER_MAD * float(np.median(distance)))
    edges = np.flatnonzero(np.diff(far.astype(np.int8), prepend=0, append=0))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin > LONGEST or end == len(value):  # the last days may be a new level
            far[begin:end] = False
    return ~far
