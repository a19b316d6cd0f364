"""Time limits that follow the speed of the machine.

A fixed piece of work, a process that starts and counts, is timed and compared with REFERENCE_S. All
limits of the tests are written for the reference and are scaled by that ratio, so they hold on a
slow or busy machine and stay short on an idle one.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from typing import Any

WORK = "for i in range(500_000): i & 7"
REFERENCE_S = 0.07  # wall time of WORK on the idle machine for which the limits were written
HIGHEST = 40.0  # times slower than that: a machine on which no limit makes sense
FRESH_S = 10.0  # a measurement serves for so long
IDLE = 1.5  # a machine no slower than so many times the reference is idle
WAKE_S = 0.15  # later for each time that a machine is slower than that; seen at loads of 8 to 14
SHARED_S = 0.03  # later by chance on an idle machine where several tests run; 9 ms were seen
TRIES = 3  # a busy machine is not as busy all the time

_slowness, _measured_s = 1.0, float("-inf")


def measure_slowness() -> float:
    """Return how many times longer WORK takes now than on the reference, 1 to HIGHEST.

    It is at least the number of tasks for each core over the last minute, since a short piece of
    work is sometimes let through at once on a busy machine.
    """
    global _slowness, _measured_s
    start_s = time.monotonic()
    subprocess.run([sys.executable, "-I", "-S", "-c", WORK], check=True)
    _measured_s = time.monotonic()
    tasks = os.getloadavg()[0] / len(os.sched_getaffinity(0))
    _slowness = min(max((_measured_s - start_s) / REFERENCE_S, tasks, 1.0), HIGHEST)
    return _slowness


def scale(seconds: float) -> float:
    """Return a limit for this machine; `seconds` is the limit on the reference."""
    if time.monotonic() > _measured_s + FRESH_S:
        measure_slowness()
    return seconds * _slowness


def lateness_s() -> float:
    """Return how late a waiting process may be woken on this machine; SHARED_S on the reference."""
    return SHARED_S + WAKE_S * max(0.0, scale(1.0) - IDLE)


def in_time(took_s: float, limit_s: float, at_least_s: float = 0.0) -> bool:
    """True if `took_s`, measured just now, is within the limit for this machine.

    at_least_s    not scaled: nobody may be earlier on any machine
    """
    if took_s < at_least_s:
        return False
    return took_s < scale(limit_s) or any(
        took_s < limit_s * measure_slowness() for _ in range(TRIES)
    )


class Deadline:
    """A limit that counts from now; the speed is measured again before it is taken as passed."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._start_s = time.monotonic()
        self._end_s = self._start_s + scale(seconds)

    def has_passed(self) -> bool:
        """True if the time is over, even at the present speed."""
        if time.monotonic() < self._end_s:
            return False
        self._end_s = max(self._end_s, self._start_s + self._seconds * measure_slowness())
        return time.monotonic() >= self._end_s


def wait_until(
    condition: Callable[[], Any], seconds: float = 10.0, work: Callable[[], object] | None = None
) -> Any:
    """Wait for a true value of `condition` and return it; return the last value at the deadline.

    work    called between the looks, where something must go on meanwhile
    """
    deadline = Deadline(seconds)
    while not (value := condition()) and not deadline.has_passed():
        if work is not None:
            work()
        time.sleep(0.01)
    return value
