"""Median, quantile and distinct values of some numbers, bit by bit as numpy's.

numpy's own functions load its masked arrays, 1.3 MB that a daemon needs for nothing else, and take
several times as long on few values.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from logger.blocks import Floats, Times


def median(values: Floats | Times) -> float:
    """Return the median of at least one value, NaN if one is NaN, (n,) -> ()."""
    ordered = np.sort(values, axis=None)
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


def distinct(values: Floats) -> Floats:
    """Return the values in ascending order, each once, (...) -> (m,)."""
    ordered = np.sort(values, axis=None)
    return ordered[np.diff(ordered, prepend=-np.inf) > 0]
