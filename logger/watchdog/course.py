"""Course of reflection within a transmission: its first seconds beside its last ones."""

from __future__ import annotations

from collections import deque

from logger.rows import Second
from logger.watchdog.row_values import is_readable

SPAN = 3  # seconds at either end
LEAST_S = 8
FOLLOWS_NS = 1_500_000_000  # seconds further apart are not used for the scatter
MOST_POWER = 3.0


class Course:
    """Seconds of one transmission; `early` and `late` hold rho and incident watts of each."""

    def __init__(self, start_ns: int) -> None:
        self.start_ns = start_ns
        self.early: list[tuple[float, float]] = []
        self.late: deque[tuple[float, float]] = deque(maxlen=SPAN)
        self.count = 0
        self._squares = 0.0
        self._steps = 0
        self._last_ns = 0

    def add(self, row: Second, rho: float) -> None:
        """Add the next second, if its SWR, and so `rho`, is valid for comparisons."""
        if not is_readable(row):
            return
        if self.late and row.time_ns - self._last_ns < FOLLOWS_NS:
            self._squares += (rho - self.late[-1][0]) ** 2
            self._steps += 1
        self._last_ns = row.time_ns
        self.count += 1
        self.late.append((rho, row.forward_w))
        if len(self.early) < SPAN:
            self.early.append((rho, row.forward_w))

    @property
    def variance(self) -> float | None:
        """Variance between successive seconds; None if there are too few."""
        return 0.5 * self._squares / self._steps if self._steps >= LEAST_S // 2 else None

    @property
    def is_comparable(self) -> bool:
        """True if its two ends can be compared."""
        powers = [sum(watts for _, watts in end) for end in (self.early, self.late)]
        return self.count >= LEAST_S and max(powers) <= MOST_POWER * min(powers)
