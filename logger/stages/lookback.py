"""Search for the pair a given time before each of many pairs.

This module is responsible for doing so at pairs of a steady rate without a search. Input: times.
Output: indices. A pure function.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from logger.blocks import Times

PROBES = 16
FEW = 256  # pairs below which guessing does not pay


def first_since(times: Times, begin: int, span_ns: int) -> NDArray[np.intp]:
    """Return for each pair from `begin` the first pair at most `span_ns` older, (n - begin,).

    The result equals `np.searchsorted(times, times[begin:] - span_ns)`. Pairs mostly come at a
    steady rate, so the distance is guessed from a few places, to within one pair, and searched only
    where the guess is wrong.
    """
    wanted_ns = times[begin:] - span_ns
    count = len(wanted_ns)
    if count < FEW:
        return np.searchsorted(times, wanted_ns)
    probes = np.arange(0, count, count // PROBES)
    distances = np.sort(begin + probes - np.searchsorted(times, wanted_ns[probes]))
    lag = max(int(distances[len(distances) * 3 // 4]), 1)  # shorter where pairs are missing
    head = min(max(lag + 1 - begin, 0), count)
    wanted = wanted_ns[head:]
    first, past = begin + head - lag, begin + count - lag
    result = np.empty(count, dtype=np.intp)
    result[:head] = np.searchsorted(times, wanted_ns[:head])
    np.add(np.arange(first, past), times[first:past] < wanted, out=result[head:])
    wrong = (times[first - 1 : past - 1] >= wanted) | (times[first + 1 : past + 1] < wanted)
    missed = head + np.flatnonzero(wrong)
    result[missed] = np.searchsorted(times, wanted_ns[missed])
    return result
