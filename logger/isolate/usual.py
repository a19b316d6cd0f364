"""The SWR that is usual on a channel, by what the store holds of it."""

from __future__ import annotations

import numpy as np

from logger.reflection import rho_of_swr, swr
from logger.store.database import Store

UNKNOWN_SWR = 1.5  # common practice, no single source: up to there nobody worries
DAYS = 60
DAY_NS = 86_400_000_000_000
MOST, LEAST = 2000, 5  # transmissions
AT_ITS_BEST = 0.25  # quantile: a fault of some days is not to count as usual
SCATTER, SCATTER_RHO = 1.25, 0.02  # of the reflection coefficient, by weather


def usual_swr(store: Store, now_ns: int, channel: int | None) -> float:
    """The highest SWR that is usual; UNKNOWN_SWR where too little is known. Raises StoreError."""
    since_ns = now_ns - DAYS * DAY_NS
    fields = ("channel", "swr")
    rows = store.latest("transmissions", fields, "start_ns", since_ns, now_ns, MOST)
    ratios = [ratio for each, ratio in rows if each == channel and ratio is not None]
    if len(ratios) < LEAST:
        return UNKNOWN_SWR
    rho = float(np.quantile(rho_of_swr(ratios), AT_ITS_BEST))
    return float(swr(SCATTER * rho + SCATTER_RHO))
