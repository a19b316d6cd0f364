"""Batch sizes and retry delays: no clock; the source of randomness is an argument."""

from __future__ import annotations

from random import Random

FIRST_S = 1.0
LONGEST_S = 60.0
BRISK_S = 0.5  # after a response within this time, the batch may grow,
LENGTHY_S = 2.0  # after this time it shrinks, since live rows wait meanwhile


class BatchSize:
    """Number of rows in a request.

    It is halved if the server finds it too large or refuses part of it, and doubled again as
    requests succeed.
    """

    def __init__(self, largest: int) -> None:
        self.rows = largest
        self._largest = largest

    def adapt(self, sent: int, took_s: float) -> None:
        """Adapt to a server that accepted `sent` rows within `took_s`."""
        if took_s > LENGTHY_S:
            self.halve(sent)
        elif took_s < BRISK_S and sent >= self.rows:
            self.rows = min(self._largest, 2 * self.rows)

    def halve(self, sent: int) -> None:
        """Halve the batch: `sent` rows were too many this time."""
        self.rows = max(1, sent // 2)

    def limit(self, sent: int) -> None:
        """Limit the batch permanently: `sent` rows are always too many for this server."""
        self._largest = max(1, sent // 2)
        self.rows = min(self.rows, self._largest)


class Backoff:
    """Delays of 1 s to 60 s, longer with each failure.

    Half of each is random, so that clients that lost the same server do not reconnect all at once.
    """

    def __init__(self, random: Random) -> None:
        self._random = random
        self._failures = 0

    def next_s(self, at_least_s: float = 0.0) -> float:
        """Return the delay after one more failure, at least the one requested by the server."""
        self._failures += 1
        longest_s = min(LONGEST_S, FIRST_S * 2.0 ** min(self._failures, 10))
        return at_least_s + longest_s * self._random.uniform(0.5, 1.0)

    def reset(self) -> None:
        """Reset the delay after a success."""
        self._failures = 0
