"""The time after which a limit that is passed raises its alarm: the worse, the sooner.

Protection relays of the trade decide by a curve of the shape t = k / (M^a - 1), M the multiple of
the limit (after IEC 60255-151, from memory; the constants are ours). Here M is reflected power over
what the limit allows, so that of reflection coefficients is its square root, a = 4, and k is such
that the configured hold time is that at the multiple `reference`:

    t = hold * (reference^4 - 1) / (M^4 - 1), at most LONGEST holds

With an SWR limit of 3, 50 ms and a reference of (4/3)^2, which is a reflection coefficient a third
above the limit: 5 s up to SWR 3.04, 1 s at 3.2, 340 ms at 3.5, 136 ms at 4, 50 ms at 5, 14 ms at 8,
and 2 ms when all comes back, which is at once: the two settled pairs and the certainty beyond noise
that every decision needs (see `hold`) take longer.

M is that of all settled pairs since the limit was passed. So noise averages out, and an open on top
of an SWR just above the limit is told within half a hold time.
"""

from __future__ import annotations

import numpy as np

from logger.blocks import Floats
from logger.watchdog.hold import EXCESS, REFLECTED, Needed

EXPONENT = 4
LONGEST = 100


def inverse_time(hold_ns: int, reference: float) -> Needed:
    """How long a run must last, ns (n,), from its sums (SUMS, n): `hold_ns` at `reference` times
    the limit in reflected power."""
    k = reference**EXPONENT - 1

    def needed(totals: Floats) -> Floats:
        allowed_w = totals[REFLECTED] - totals[EXCESS]
        beyond = (totals[EXCESS] > 0) & (allowed_w > 0)
        multiple = np.where(beyond, totals[REFLECTED], 1.0) / np.where(beyond, allowed_w, 1.0)
        with np.errstate(divide="ignore"):
            holds = np.minimum(k / (np.minimum(multiple, 1e3) ** EXPONENT - 1), LONGEST)
        return np.asarray(holds * hold_ns)

    return needed
