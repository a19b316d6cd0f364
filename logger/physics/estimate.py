"""A value with its 95 % interval."""

from __future__ import annotations

import msgspec


class Estimate(msgspec.Struct, frozen=True):
    """A value and the bounds of its 95 % interval."""

    value: float
    low: float
    high: float

    def widened(self, to: float) -> Estimate:
        """Return the estimate with its interval extended to include `to`."""
        return Estimate(self.value, min(self.low, to), max(self.high, to))
