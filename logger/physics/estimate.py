"""A value with its 95 % interval."""

from __future__ import annotations

import msgspec


class Estimate(msgspec.Struct, frozen=True):
    """The interval is of 95 %."""

    value: float
    low: float
    high: float

    def widened(self, to: float) -> Estimate:
        """With another value inside."""
        return Estimate(self.value, min(self.low, to), max(self.high, to))
