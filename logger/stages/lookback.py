"""Which pairs came a given time before each of many. A pure function."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from logger.blocks import Times

PROBES = 16
FEW = 256  # pairs for which a guess is not worth it


def first_since(times: Times, begin: int, span_ns: int) -> NDArray[np.intp]:
    """For each pair from `begin` on the first that is older by `span_ns` at most, (n - begin,):
    what `np.searchsorted(times, times[begin:] - span_ns)` says.

    Pairs mostly come at a steady rate. So it is guessed from a few places how far back that is,
    one pair more or less, and searched only where this turns out wrong.
    """
    wanted_ns = times[begin:] - span_ns
    count = len(wanted_ns)
    if count < FEW:
        return np.searchsorted(times, wanted_ns)
    places = np.arange(0, count, count // PROBES)
    back = np.sort(begin + places - np.searchsorted(times, wanted_ns[places]))
    lag = max(int(back[len(back) * 3 // 4]), 1)  # it is less where pairs are missing
    head = min(max(lag + 1 - begin, 0), count)
    wanted = wanted_ns[head:]
    first, past = begin + head - lag, begin + count - lag
    found = np.empty(count, dtype=np.intp)
    found[:head] = np.searchsorted(times, wanted_ns[:head])
    np.add(np.arange(first, past), times[first:past] < wanted, out=found[head:])
    wrong = (times[first - 1 : past - 1] >= wanted) | (times[first + 1 : past + 1] < wanted)
    at = head + np.flatnonzero(wrong)
    found[at] = np.searchsorted(times, wanted_ns[at])
    return found
