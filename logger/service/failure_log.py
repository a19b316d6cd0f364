"""Logs a failure that comes and goes as one: a line at its beginning and a line at its end."""

from __future__ import annotations

import logging
import math

log = logging.getLogger("mismatchd")

STEADY_S = 60.0  # without a failure until it counts as over


class FailureLog:
    """No threads and no clocks; `recovery` is the line at the end."""

    def __init__(self, recovery: str) -> None:
        self._recovery = recovery
        self._is_open = False
        self._failed_s = -math.inf

    def fail(self, text: str, now_s: float) -> None:
        """Note a failure; log it if it is a new one."""
        if not self._is_open:
            log.error("%s", text)
        self._is_open = True
        self._failed_s = now_s

    def succeed(self, now_s: float) -> None:
        """Note that there is no failure at present; log the end if that has lasted."""
        if self._is_open and now_s >= self._failed_s + STEADY_S:
            log.warning("%s", self._recovery)
            self._is_open = False
