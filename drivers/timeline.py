"""Time model of the drivers.

- The host has two clocks. The *host clock* counts nanoseconds since the host was started, at a
  steady rate, also during suspend, and never steps; pairs are timestamped with it. The *wall
  clock* gives the time of day; it may be wrong at first and is then set, forward or back. The UTC
  of a host clock time is decided in one place, `logger.service.dating`.
- Nothing arrives before it was sent: every effect on the way (a USB adapter that buffers for
  16 ms, a busy host) only adds delay. So the earliest of many arrivals, relative to the bridge's
  own clock, is the most accurate.
- A bridge's clock counts microseconds in 32 bits, wraps after 71.6 minutes, and may be wrong by
  1 % (ceramic resonators), changing slowly with temperature. It may be set or restart.
"""

from __future__ import annotations

import ctypes
import itertools
import os
import time
import uuid
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]

BITS_PER_BYTE = 10  # 8N1: one start and one stop bit per byte
WRAP_US = 2**32
QUICK_NS = 20_000  # reading the clocks takes less unless it is interrupted
TIMEX_BYTES = 1024  # no kernel's `struct timex` is longer; zeros query without setting anything
TIME_ERROR = 5  # return value for a clock that is not synchronised
SYNCHRONISED_FILE = "/run/systemd/timesync/synchronized"
BOOT_FILE = "/proc/sys/kernel/random/boot_id"
_LIBC = ctypes.CDLL(None)
_HOST_CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


class Clocks(NamedTuple):
    """The host's clocks at one moment, ns.

    `doubt_ns` is the largest time between the two readings; `synchronised` is the kernel's state of
    the wall clock, None if unknown.
    """

    host_ns: int
    wall_ns: int
    doubt_ns: int = 0
    synchronised: bool | None = None

    @property
    def offset_ns(self) -> int:
        """Wall clock minus host clock, ns."""
        return self.wall_ns - self.host_ns


def host_ns() -> int:
    """Return the host clock: nanoseconds since the host was started, including suspend."""
    return time.clock_gettime_ns(_HOST_CLOCK)


def read_clocks(tries: int = 3) -> Clocks:
    """Read both clocks; of a few attempts, return the one with the shortest interruption."""
    best: Clocks | None = None
    for _ in range(tries):
        start_ns = host_ns()
        wall_ns = time.time_ns()
        end_ns = host_ns()
        if best is None or end_ns - start_ns < best.doubt_ns:
            best = Clocks((start_ns + end_ns) // 2, wall_ns, end_ns - start_ns)
        if best.doubt_ns < QUICK_NS:
            break
    assert best is not None
    return best._replace(synchronised=synchronised())


def boot_name() -> str:
    """Return the kernel's identifier of this boot, or a random one if there is none."""
    try:
        with open(BOOT_FILE, encoding="ascii") as file:
            return file.read().strip()
    except OSError:
        return str(uuid.uuid4())


def synchronised() -> bool | None:
    """True if the kernel reports the wall clock as synchronised; None if the state is unknown."""
    try:
        state = _LIBC.adjtimex(ctypes.create_string_buffer(TIMEX_BYTES))
    except AttributeError:
        return None
    if state >= 0:
        return bool(state != TIME_ERROR)
    # A service that may not set the clock may not query its state either.
    return True if os.path.exists(SYNCHRONISED_FILE) else None


def arrival_times(
    stamp_ns: Times, bytes_after: Times, baud: int, spread_ns: NDArray[np.float64] | float = 0.0
) -> Times:
    """Return when the last byte of each line was on the wire, in the scale of `stamp_ns`.

    `stamp_ns` (n,) is the reception time of the chunk in which the line ended, `bytes_after` (n,)
    the number of bytes that followed the line in that chunk. Each of them took its transmission
    time, or `spread_ns` if the chunk had waited to be read: its bytes are taken as evenly spaced.
    """
    byte_ns = np.maximum(BITS_PER_BYTE * 1e9 / baud, spread_ns)
    return np.asarray(stamp_ns - np.rint(bytes_after * byte_ns).astype(np.int64))


class Monotone:
    """Makes times whole microseconds, strictly increasing across calls and after `last_ns`."""

    def __init__(self, last_ns: int | None = None) -> None:
        self._last_us = None if last_ns is None else last_ns // 1000

    def update(self, time_ns: Times) -> Times:
        """Return the times (n,) in ns, rounded down to µs and each at least 1 µs after the last."""
        if not len(time_ns):
            return time_ns
        times_us = time_ns // 1000
        if self._last_us is not None:
            times_us[0] = max(times_us[0], self._last_us + 1)
        if (times_us[1:] <= times_us[:-1]).any():
            # Minus its index, a strictly increasing sequence of integers is a non-decreasing one.
            index = np.arange(len(times_us))
            times_us = np.maximum.accumulate(times_us - index) + index
        self._last_us = int(times_us[-1])
        return np.asarray(times_us * 1000)


class _Point(NamedTuple):
    """The earliest arrival of a bucket: bridge time, and arrival minus bridge time."""

    bridge_us: int
    late_ns: int


class BridgeClock:
    """Converts times of a bridge's clock into times of the host.

    About once a second, the earliest arrival relative to the bridge's clock is stored, for the last
    BUCKETS seconds. The line below these points that touches them about TANGENT_US before the
    newest is the bridge's clock as seen by the host, including the smallest delay: recent enough to
    follow a drift, far enough back for a steady slope.

    `restarts` counts the detected restarts of the bridge (or losses larger than time can explain),
    which also restart the fit; `leaps` counts the smaller jumps that were followed.
    """

    BUCKET_US = 1_000_000
    BUCKETS = 64
    TANGENT_US = 10_000_000
    EDGE_US = 500_000  # points closer than this carry no information on the rate
    MAX_RATE = 0.015
    RESTART_NS = 1_000_000_000  # a restart: bridge and host disagree by more than this and than
    RESTART_PART = 0.05  # this fraction of the time since the previous pair
    EARLY_NS = 50_000_000  # earlier than the line by this: the points below the line are outdated
    LATE_NS = 100_000_000  # likewise if all of LATE_BUCKETS are later by this
    LATE_BUCKETS = 3

    def __init__(self) -> None:
        self.restarts = 0
        self.leaps = 0
        self.restart()

    @property
    def jumps(self) -> int:
        """Number of restarts and leaps."""
        return self.restarts + self.leaps

    def restart(self) -> None:
        """Discard all points; to be called after the device was reopened."""
        self._points: list[_Point] = []
        self._last: tuple[int, int] | None = None  # bridge µs, unwrapped, and arrival ns
        self._slope = 0.0  # relative rate error of the bridge's clock, positive if slow
        self._anchor = _Point(0, 0)

    def map(self, time_us: Times, arrival_ns: Times) -> Times:
        """Return the UTC ns (n,) of pairs by bridge times (0 .. 2^32-1) and arrivals, in order.

        The result has the scale of `arrival_ns` and includes the smallest delay.
        """
        mapped = np.empty(len(time_us), dtype=np.int64)
        start = 0
        while start < len(time_us):
            bridge_us = self._unwrap(time_us[start:], arrival_ns[start:])
            late_ns = arrival_ns[start:] - 1000 * bridge_us
            end = self._until_restart(bridge_us, late_ns, arrival_ns[start:])
            if end == 0:
                self.restart()
                self.restarts += 1
                continue
            mapped[start : start + end] = self._learn(bridge_us[:end], late_ns[:end])
            start += end
            self._last = int(bridge_us[end - 1]), int(arrival_ns[start - 1])
        return mapped

    def _unwrap(self, time_us: Times, arrival_ns: Times) -> Times:
        """Unwrap the bridge time; after a long silence, the host time gives the number of wraps."""
        last_us, last_ns = self._last or (int(time_us[0]), int(arrival_ns[0]))
        steps = np.diff(time_us, prepend=last_us % WRAP_US) % WRAP_US
        elapsed_us = np.diff(arrival_ns, prepend=last_ns) // 1000
        wraps = np.maximum(0, (elapsed_us - steps + WRAP_US // 2) // WRAP_US)
        return np.asarray(last_us + np.cumsum(steps + wraps * WRAP_US))

    def _until_restart(self, bridge_us: Times, late_ns: Times, arrival_ns: Times) -> int:
        """Return the number of pairs before a restart of the bridge's clock."""
        if not self._last:
            previous = bridge_us[0], arrival_ns[0]
            off_ns = late_ns - late_ns[0]
        else:
            previous = self._last
            off_ns = late_ns - self._line(bridge_us)
        elapsed_ns = np.maximum(
            np.diff(arrival_ns, prepend=previous[1]), 1000 * np.diff(bridge_us, prepend=previous[0])
        )
        allowed_ns = np.maximum(self.RESTART_NS, self.RESTART_PART * elapsed_ns)
        # Too early is impossible. Too late may be a host that was stopped, if it catches up.
        too_early = off_ns < -allowed_ns
        end = int(np.argmax(too_early)) if too_early.any() else len(off_ns)
        in_time = np.flatnonzero(off_ns[:end] <= allowed_ns[:end])
        return int(in_time[-1]) + 1 if len(in_time) else 0

    def _learn(self, bridge_us: Times, late_ns: Times) -> Times:
        """Fit and map pairs by buckets, so that a jump does not affect pairs before it."""
        mapped = 1000 * bridge_us
        starts = np.flatnonzero(np.diff(bridge_us // self.BUCKET_US, prepend=-1))
        for start, end in itertools.pairwise([*starts.tolist(), len(bridge_us)]):
            before_ns = self._line(bridge_us[start:end])
            early_ns = late_ns[start:end] - before_ns
            least = int(np.argmin(early_ns))
            former = self._points.copy()
            leapt = self._add(_Point(int(bridge_us[start + least]), int(late_ns[start + least])))
            line_ns = before_ns
            if self._points != former:
                self._fit()
                line_ns = self._line(bridge_us[start:end])
            if leapt:
                past = int(np.argmax(early_ns < early_ns[least] / 2))
                line_ns[:past] = before_ns[:past]
            mapped[start:end] += line_ns
        return mapped

    def _add(self, point: _Point) -> bool:
        """Add a point; return True if it shows that the bridge's clock jumped ahead."""
        points = self._points
        if not points:
            points.append(point)
            return False
        newest = points[-1]
        early_ns = self._off(point)
        gap_ns = 1000 * (point.bridge_us - newest.bridge_us)
        if early_ns < -max(self.EARLY_NS, 0.02 * gap_ns):
            # At first, only the delay of the first arrivals can be outdated.
            self.leaps += len(points) >= self.LATE_BUCKETS
            points[:] = [point]
            return True
        if point.bridge_us // self.BUCKET_US == newest.bridge_us // self.BUCKET_US:
            if early_ns < self._off(newest):
                points[-1] = point
        else:
            recent = points[-self.LATE_BUCKETS :]
            if all(self._off(old) > self.LATE_NS for old in recent):
                self.leaps += len(points) > len(recent)
                points[:] = recent
            points.append(point)
            del points[: -self.BUCKETS]
        return False

    def _off(self, point: _Point) -> float:
        """Return the delay of a point relative to the line, ns."""
        run_ns = 1000 * (point.bridge_us - self._anchor.bridge_us)
        return point.late_ns - self._anchor.late_ns - self._slope * run_ns

    def _line(self, bridge_us: Times) -> Times:
        line = self._slope * 1000 * (bridge_us - self._anchor.bridge_us)
        return np.asarray(self._anchor.late_ns + np.rint(line).astype(np.int64))

    def _fit(self) -> None:
        """Fit the line to the edge of the lower hull above the tangent point."""
        hull: list[_Point] = []
        for point in self._points:
            while len(hull) > 1 and _slope(hull[-2], hull[-1]) >= _slope(hull[-1], point):
                hull.pop()
            hull.append(point)
        first, last = self._points[0].bridge_us, self._points[-1].bridge_us
        touch_us = max(last - self.TANGENT_US, (first + last) / 2)
        for left, right in itertools.pairwise(hull):
            if right.bridge_us >= touch_us:
                if right.bridge_us - left.bridge_us >= self.EDGE_US:
                    self._slope = min(max(_slope(left, right), -self.MAX_RATE), self.MAX_RATE)
                break
        self._anchor = min(hull, key=self._off)


def _slope(left: _Point, right: _Point) -> float:
    """Return the rate between two points, host / bridge - 1."""
    return (right.late_ns - left.late_ns) / (1000 * (right.bridge_us - left.bridge_us))
