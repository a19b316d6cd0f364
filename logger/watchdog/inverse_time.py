"""Time from crossing a limit to its alarm: the larger the excess, the shorter.

Protection relays use a curve of the shape t = k / (M^a - 1), M the multiple of the limit (after IEC
60255-151, from memory; the constants are ours). Here M is the ratio of reflected power to what the
limit allows, so that the ratio of reflection coefficients is its square root, a = 4, and k is such
that the configured hold time applies at the multiple `reference`:

    t = hold * (reference^4 - 1) / (M^4 - 1), at most LONGEST holds

With an SWR limit of 3, 50 ms and a reference of (4/3)^2, which is a reflection coefficient a third
above the limit: 5 s up to SWR 3.04, 1 s at 3.2, 340 ms at 3.5, 136 ms at 4, 50 ms at 5, 14 ms at 8,
and 2 ms at total reflection, which is immediate: the two settled pairs and the certainty beyond
noise that every decision needs (see `hold`) take longer.

M is the mean over all settled pairs since the limit was crossed. So noise averages out, and an open
that follows an SWR just above the limit is reported within half a hold time.
"""

from __future__ import annotations

import numpy as np

from logger.blocks import Floats
from logger.watchdog.hold import EXCESS, REFLECTED, Needed

EXPONENT = 4
LONGEST = 100


def inverse_time(hold_ns: int, reference: float) -> Needed:
    """Return a function from the sums of runs (SUMS, n) to the time they must last, ns (n,).

    The time is `hold_ns` at `reference` times the limit in reflected power.
    """
    k = reference**EXPONENT - 1

    def needed(totals: Floats) -> Floats:
        allowed_w = totals[REFLECTED] - totals[EXCESS]
        beyond = (totals[EXCESS] > 0) & (allowed_w > 0)
        multiple = np.where(beyond, totals[REFLECTED], 1.0) / np.where(beyond, allowed_w, 1.0)
        with np.errstate(divide="ignore"):
            holds = np.minimum(k / (np.minimum(multiple, 1e3) ** EXPONENT - 1), LONGEST)
        return np.asarray(holds * hold_ns)

    return needed
