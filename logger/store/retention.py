"""Which raw pairs go: those that are too old, and the oldest beyond a size, but for captured ones.
Pure functions.

Captured pairs (see `captures`) stay, with limits of their own: those that nothing else would keep
may fill a SHARE of the size that is set, MOST_BYTES if none is. Beyond that the oldest captures are
given up.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from logger.blocks import Bools, Times

SHARE = 0.25
MOST_BYTES = 100_000_000


class Plan(NamedTuple):
    """What is to be done next.

    doomed   (n,) segments of which captured pairs only stay
    forget_ns  captures that begin up to then are to be given up first, None if none are
    """

    doomed: Bools
    forget_ns: int | None


def plan(
    first_ns: Times,
    last_ns: Times,
    size: Times,
    captured: Times,
    before_ns: int,
    most_bytes: int | None,
) -> Plan:
    """Judge segments (n,) in order of time.

    size        bytes of each
    captured    first and last of captured time, in order and apart, (k, 2)
    before_ns   pairs from before it are too old
    most_bytes  of all segments together, None if there is no limit
    """
    inside = within(last_ns, captured) & (place(first_ns, captured) == place(last_ns, captured))
    past = last_ns < before_ns
    doomed = ~inside & past
    allowed = float(MOST_BYTES)
    if most_bytes is not None:
        past = past | (_from_newest(size) > most_bytes)
        ordinary = np.where(inside, 0, size)
        doomed |= ~inside & (size[inside].sum() + _from_newest(ordinary) > most_bytes)
        allowed = min(SHARE * most_bytes, most_bytes - float(size[inside & ~past].sum()))
    extra = np.where(inside & past, size, 0)
    beyond = np.flatnonzero((extra > 0) & (_from_newest(extra) > allowed))
    return Plan(doomed, int(last_ns[beyond[-1]]) if len(beyond) else None)


def within(times: Times, spans: Times) -> Bools:
    """Whether times (n,) lie in one of the spans (k, 2), which are in order and apart."""
    if not len(spans):
        return np.zeros(len(times), dtype=bool)
    at = place(times, spans)
    return np.asarray((at >= 0) & (times <= spans[at, 1]))


def place(times: Times, spans: Times) -> Times:
    """Which span is the last that begins at a time or before, -1 if none does, (n,)."""
    return np.asarray(np.searchsorted(spans[:, 0], times, side="right") - 1)


def _from_newest(size: Times) -> Times:
    """Bytes of each segment and all newer ones, (n,)."""
    return np.asarray(np.cumsum(size[::-1])[::-1])
