"""State of the host's clock as reported by the kernel."""

from __future__ import annotations

import ctypes
import functools
import time
from collections.abc import Callable

TIMEX_BYTES = 512  # more than any kernel's struct timex; its first field 0 means: query only
UNSYNCHRONISED = 5  # TIME_ERROR


def synchronised() -> bool | None:
    """True if the clock is synchronised (NTP, PTP, GPS); None if the kernel does not say."""
    adjtimex = _adjtimex()
    state = -1 if adjtimex is None else adjtimex(ctypes.create_string_buffer(TIMEX_BYTES))
    return None if state < 0 else state != UNSYNCHRONISED


def running_ns() -> int:
    """Return the nanoseconds since boot, including sleep."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


@functools.cache
def _adjtimex() -> Callable[..., int] | None:
    try:
        found: Callable[..., int] = ctypes.CDLL(None).adjtimex
    except (OSError, AttributeError):
        return None
    return found
