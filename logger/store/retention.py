"""Selection of raw pairs to delete: too old, or the oldest beyond a size; not captured ones.

Pure functions.

Captured pairs (see `captures`) are kept under limits of their own: those that would otherwise be
deleted may fill a SHARE of the configured size, MOST_BYTES if none is set. Beyond that the oldest
captures are dropped.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from logger.blocks import Bools, Times

SHARE = 0.25
MOST_BYTES = 100_000_000


class Plan(NamedTuple):
    """The next deletions.

    doomed   (n,) segments to be reduced to their captured pairs
    forget_ns  captures that begin up to this time are to be dropped first, None for none
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
    """Select from segments (n,) in order of time.

    size        bytes of each
    captured    first and last of captured time, ordered and disjoint, (k, 2)
    before_ns   pairs before this time are too old
    most_bytes  limit of all segments together, None for no limit
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
    """Return a mask of the times (n,) within the spans (k, 2), which are ordered and disjoint."""
    if not len(spans):
        return np.zeros(len(times), dtype=bool)
    index = place(times, spans)
    return np.asarray((index >= 0) & (times <= spans[index, 1]))


def place(times: Times, spans: Times) -> Times:
    """Return the index of the last span that begins by each time, -1 if none does, (n,)."""
    return np.asarray(np.searchsorted(spans[:, 0], times, side="right") - 1)


def _from_newest(size: Times) -> Times:
    """Return the bytes of each segment and all newer ones, (n,)."""
    return np.asarray(np.cumsum(size[::-1])[::-1])
