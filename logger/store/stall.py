"""Stalls of the disk: a lock, a commit or a sync that takes longer than a quarter of a second."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from contextlib import contextmanager

STALL_S = 0.25
LONG_S = 5.0  # from which a stall is an error
QUIET_S = 60.0  # without a stall, until the next short one is logged
WEIGHT = 0.1  # of the newest duration in the usual one


class StallTimer:
    """Times the disk operations of one thread; any thread may read it."""

    def __init__(self) -> None:
        self.stalls = 0  # operations that have ended and were stalls
        self.usual_s = 0.0  # duration of an operation that is no stall
        self._begun_s: float | None = None

    @contextmanager
    def time(self) -> Iterator[None]:
        """Time an operation."""
        self._begun_s = begun_s = time.monotonic()
        try:
            yield
        finally:
            self._begun_s = None
            lasted_s = time.monotonic() - begun_s
            if lasted_s > STALL_S:
                self.stalls += 1
            else:
                self.usual_s += WEIGHT * (lasted_s - self.usual_s)

    def lasts_s(self) -> float:
        """Return the duration of the present operation so far, 0.0 if there is none."""
        begun_s = self._begun_s
        return 0.0 if begun_s is None else time.monotonic() - begun_s

    def stalled_s(self) -> float:
        """Return the duration of the present operation if it is a stall, otherwise 0.0."""
        lasts_s = self.lasts_s()
        return lasts_s if lasts_s > STALL_S else 0.0


class StallLog:
    """Logs long stalls, and now and then that there are short ones, which are usual with cards."""

    def __init__(self) -> None:
        self._is_long = False
        self._stalled_s = -math.inf  # time of the last stall

    def update(self, stalled_s: float, now_s: float) -> None:
        """Note for how long the disk has not responded."""
        import logging  # commands that only read have no use for it

        log = logging.getLogger("mismatchd")
        if stalled_s > LONG_S and not self._is_long:
            log.error("the disk does not respond; alarms are still delivered")
            self._is_long = True
        elif stalled_s and now_s > self._stalled_s + QUIET_S:
            log.warning("the disk is slow to respond; alarms are delivered all the same")
        elif self._is_long and not stalled_s:
            log.warning("the disk responds again")
            self._is_long = False
        if stalled_s:
            self._stalled_s = now_s
