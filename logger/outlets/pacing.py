"""How much to send at once and how long to wait: no clock, and the randomness is given."""

from __future__ import annotations

from random import Random

FIRST_S = 1.0
LONGEST_S = 60.0
BRISK_S = 0.5  # an answer that comes so soon may follow on more rows,
LENGTHY_S = 2.0  # one this late on fewer, since live rows wait meanwhile


class BatchSize:
    """Rows in a request: halved where the server finds it too much or refuses part of it, doubled
    again as requests go through."""

    def __init__(self, most: int) -> None:
        self.rows = most
        self._most = most

    def taken(self, sent: int, took_s: float) -> None:
        """The server took `sent` rows within `took_s`."""
        if took_s > LENGTHY_S:
            self.halve(sent)
        elif took_s < BRISK_S and sent >= self.rows:
            self.rows = min(self._most, 2 * self.rows)

    def halve(self, sent: int) -> None:
        """`sent` rows were too many this time."""
        self.rows = max(1, sent // 2)

    def limit(self, sent: int) -> None:
        """`sent` rows are too many for this server always."""
        self._most = max(1, sent // 2)
        self.rows = min(self.rows, self._most)


class Backoff:
    """Waits of 1 s to 60 s, longer with each failure. Half of each is random, so that those who
    lost the same server do not return to it together."""

    def __init__(self, random: Random) -> None:
        self._random = random
        self._failures = 0

    def next_s(self, at_least_s: float = 0.0) -> float:
        """How long to wait after one more failure; the server may have said how long at least."""
        self._failures += 1
        longest_s = min(LONGEST_S, FIRST_S * 2.0 ** min(self._failures, 10))
        return at_least_s + longest_s * self._random.uniform(0.5, 1.0)

    def reset(self) -> None:
        """It works again."""
        self._failures = 0
