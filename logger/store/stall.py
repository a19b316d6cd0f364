"""Stalls of the disk: a lock, a commit or a sync that takes longer than a quarter of a second."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

STALL_S = 0.25


class StallTimer:
    """Times the disk operations of one thread; any thread may read it."""

    def __init__(self) -> None:
        self.stalls = 0  # operations that have ended and were stalls
        self._begun_s: float | None = None

    @contextmanager
    def time(self) -> Iterator[None]:
        """Time an operation."""
        self._begun_s = begun_s = time.monotonic()
        try:
            yield
        finally:
            self._begun_s = None
            self.stalls += time.monotonic() - begun_s > STALL_S

    def lasts_s(self) -> float:
        """Return the duration of the present operation so far, 0.0 if there is none."""
        begun_s = self._begun_s
        return 0.0 if begun_s is None else time.monotonic() - begun_s

    def stalled_s(self) -> float:
        """Return the duration of the present operation if it is a stall, otherwise 0.0."""
        lasts_s = self.lasts_s()
        return lasts_s if lasts_s > STALL_S else 0.0
