"""A boolean condition held for a time."""

from __future__ import annotations

import numpy as np

from logger.blocks import Bools
from logger.stages.view import View
from logger.watchdog.hold import SUMS, Hold, HoldEvidence


class Held:
    """State machine of a boolean condition, continued across blocks."""

    def __init__(self, hold_ns: int) -> None:
        self._hold = Hold(hold_ns)

    def find(self, view: View, yes: Bools, no: Bools) -> int | None:
        """Return the time at which `yes` (n,) had held without a `no` (n,), or None."""
        times = view.block.time_ns
        if self._hold.idle and not yes.any():
            self._hold.skip(int(times[-1]))
            return None
        sums = np.zeros((SUMS, len(times)))
        sums[:2] = 1.0  # count and excess: no noise
        found = self._hold.find(HoldEvidence(times, sums, yes, yes, no))
        return None if found is None else int(times[found[0]])
