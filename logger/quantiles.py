"""Median, quantile, variance and distinct values of some numbers; quantiles of the normal law.

Median, quantile and distinct values are numpy's to the bit, but numpy loads its masked arrays for
them, 1.3 MB that a daemon needs for nothing else, and takes several times as long on few values.
The rest agrees with `statistics`, which loads 0.4 MB.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from logger.blocks import Floats, Times

Number = TypeVar("Number", bound=np.number)


def median(values: Floats | Times | Sequence[float]) -> float:
    """Return the median of at least one value, NaN if one is NaN, (n,) -> ()."""
    is_array = isinstance(values, np.ndarray)  # a few values are sorted faster without
    ordered = np.sort(values, axis=None) if is_array else sorted(values)
    low, high = float(ordered[(len(ordered) - 1) // 2]), float(ordered[len(ordered) // 2])
    return math.nan if ordered[-1] != ordered[-1] else (low + high) / 2


def quantile(values: Floats | Sequence[float], share: float) -> float:
    """Return the quantile of at least one value, linear between neighbours, (n,) -> ()."""
    ordered = np.sort(values)
    place = (len(ordered) - 1) * share
    below = int(place)
    part = place - below
    low, high = float(ordered[below]), float(ordered[min(below + 1, len(ordered) - 1)])
    if ordered[-1] != ordered[-1]:
        return math.nan
    return high - (high - low) * (1 - part) if part >= 0.5 else low + (high - low) * part


def distinct(values: NDArray[Number]) -> NDArray[Number]:
    """Return the values in ascending order, each once, (...) -> (m,); none is NaN."""
    ordered = np.sort(values, axis=None)
    is_first = np.ones(len(ordered), dtype=bool)
    is_first[1:] = ordered[1:] != ordered[:-1]
    return ordered[is_first]


def variance(values: Sequence[float]) -> float:
    """Return the sample variance of at least two values, (n,) -> ()."""
    mean = math.fsum(values) / len(values)
    return math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1)


def normal_quantile(share: float) -> float:
    """Return z below which a standard normal variable lies with probability `share`, 0 to 1/2."""
    z, step = 0.0, -1.0
    while step < -1e-12:  # Newton's steps, which come from above since the density rises
        step = (share - 0.5 * math.erfc(-z / math.sqrt(2))) * math.sqrt(math.tau)
        step *= math.exp(0.5 * z * z)
        z += step
    return z
