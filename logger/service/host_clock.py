"""Whether the host's clock can be trusted, by the kernel's own word."""

from __future__ import annotations

import ctypes
import functools
import time
from collections.abc import Callable

TIMEX_BYTES = 512  # more than any kernel's struct timex; its first field 0 means: only ask
UNSYNCHRONISED = 5  # TIME_ERROR


def synchronised() -> bool | None:
    """Whether something (NTP, PTP, GPS) keeps the clock; None where the kernel does not say."""
    adjtimex = _adjtimex()
    state = -1 if adjtimex is None else adjtimex(ctypes.create_string_buffer(TIMEX_BYTES))
    return None if state < 0 else state != UNSYNCHRONISED


def running_ns() -> int:
    """Nanoseconds since boot, time asleep included."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


@functools.cache
def _adjtimex() -> Callable[..., int] | None:
    try:
        found: Callable[..., int] = ctypes.CDLL(None).adjtimex
    except (OSError, AttributeError):
        return None
    return found
