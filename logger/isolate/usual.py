"""Usual SWR on a channel, from the stored transmissions."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from logger.physics.reflection import rho_of_swr, swr
from logger.places import place_name
from logger.store.reader import Store
from logger.utc import DAY_NS

UNKNOWN_SWR = 1.5  # common practice, no single source: an SWR up to this is no concern
DAYS = 60
MOST, LEAST = 2000, 5  # transmissions
QUARTER = 0.25  # quantile, so that a fault of a few days does not count as usual
SCATTER, SCATTER_RHO = 1.25, 0.02  # of the reflection coefficient, by weather


class UsualSwr(NamedTuple):
    """Range of the SWR of a sound station.

    `lowest` is None if too little is known, or if the readings have two levels, neither of which
    can be called usual.
    """

    lowest: float | None
    highest: float


def usual_swr(
    store: Store,
    now_ns: int,
    channel: int | None,
    frequency_khz: float | None = None,
    antenna: str | None = None,
) -> UsualSwr:
    """Return the usual range of the SWR on an antenna and channel. Raises StoreError."""
    since_ns = now_ns - DAYS * DAY_NS
    fields = ("channel", "frequency_khz", "antenna", "swr")
    rows = store.latest("transmissions", fields, "start_ns", since_ns, now_ns, MOST)
    place = place_name(channel, frequency_khz, antenna, "")
    ratios = [
        ratio
        for *where, ratio in rows
        if ratio is not None and place_name(where[0], where[1], where[2], "") == place
    ]
    if len(ratios) < LEAST:
        return UsualSwr(None, UNKNOWN_SWR)
    low, high = np.quantile(rho_of_swr(ratios), [1 - QUARTER, QUARTER])
    lowest = max(0.0, float(low) / SCATTER - SCATTER_RHO)
    highest = SCATTER * float(high) + SCATTER_RHO
    return UsualSwr(float(swr(lowest)) if lowest <= highest else None, float(swr(highest)))
