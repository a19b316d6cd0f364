"""Course of reflection within a transmission: its first seconds beside its last ones."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

import numpy as np

from logger.rows import SecondRows
from logger.watchdog.row_values import UNREADABLE

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

    def extend(self, rows: SecondRows, rho_of: Callable[[float], float]) -> None:
        """Add the next seconds whose SWR is valid for comparisons; `rho_of` converts it."""
        readable = (rows.flags & UNREADABLE == 0) & ~np.isnan(rows.figure("swr"))
        columns = rows.time_ns, rows.figure("swr"), rows.figure("forward_w")
        for time_ns, swr, watts in zip(*(c[readable].tolist() for c in columns), strict=True):
            self._add(time_ns, rho_of(swr), watts)

    def _add(self, time_ns: int, rho: float, watts: float) -> None:
        if self.late and time_ns - self._last_ns < FOLLOWS_NS:
            self._squares += (rho - self.late[-1][0]) ** 2
            self._steps += 1
        self._last_ns = time_ns
        self.count += 1
        self.late.append((rho, watts))
        if len(self.early) < SPAN:
            self.early.append((rho, watts))

    @property
    def variance(self) -> float | None:
        """Variance between successive seconds; None if there are too few."""
        return 0.5 * self._squares / self._steps if self._steps >= LEAST_S // 2 else None

    @property
    def is_comparable(self) -> bool:
        """True if its two ends can be compared."""
        powers = [sum(watts for _, watts in end) for end in (self.early, self.late)]
        return self.count >= LEAST_S and max(powers) <= MOST_POWER * min(powers)
