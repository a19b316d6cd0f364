"""Reports the daemon's state to the service manager by systemd's notification protocol.

The watchdog is pinged while both loops complete cycles. Capture completes a cycle whenever its
driver returns, with or without pairs: a lost link that is being reopened does, a read that hangs
does not. The keeper completes a cycle when it has committed or has nothing to commit, and also when
the disk accepts nothing or does not respond: such a daemon is alive and reports alarms, and a
restart would find the same disk but lose the rows held in memory. A commit that fails for any other
reason, such as a lock that is never released, completes no cycle, and the service manager restarts
the daemon.
"""

from __future__ import annotations

import logging
import socket
from collections.abc import Mapping

log = logging.getLogger("mismatchd")

STATUS_S = 10.0
SHARE = 4  # pings per watchdog period, so that a slow loop may miss a few
SEND_S = 1.0  # the manager's queue may be full for a moment


class Supervision:
    """Decides which notifications to send and when; no clock and no socket."""

    def __init__(self, watchdog_s: float | None) -> None:
        # Interval of the watchdog pings; None: never.
        self.feed_s = None if watchdog_s is None else watchdog_s / SHARE
        self._ready = False
        self._fed_s = 0.0
        self._fed_cycles: Mapping[str, int] = {}
        self._status_s = 0.0
        self._status = ""
        self.stalled: tuple[str, ...] = ()  # loops that block the watchdog ping

    def due(self, now_s: float, cycles: Mapping[str, int], status: str) -> list[str]:
        """Return the notifications due at `now_s` (monotonic).

        `cycles` counts the completed cycles by loop; the daemon is ready once each loop has
        completed one. `status` is one line.
        """
        due = []
        if not self._ready:
            if not cycles or not all(cycles.values()):
                return []
            self._ready = True
            self._fed_s = self._status_s = -float("inf")
            due.append("READY=1")
        if self.feed_s is not None and now_s - self._fed_s >= self.feed_s:
            stalled = tuple(name for name, n in cycles.items() if n == self._fed_cycles.get(name))
            if stalled and not self.stalled:
                log.error("%s thread stalled; withholding the watchdog ping", " and ".join(stalled))
            elif self.stalled and not stalled:
                log.warning("%s thread running again", " and ".join(self.stalled))
            self.stalled = stalled
            if not stalled:
                self._fed_s, self._fed_cycles = now_s, dict(cycles)
                due.append("WATCHDOG=1")
        if status != self._status and now_s - self._status_s >= STATUS_S:
            self._status_s, self._status = now_s, status
            due.append(f"STATUS={' '.join(status.split())}")
        return due


class ServiceManager:
    """The service manager at $NOTIFY_SOCKET; without one, nothing is sent. No call raises."""

    def __init__(self, environ: Mapping[str, str], pid: int) -> None:
        self._address = _address(environ.get("NOTIFY_SOCKET", ""))
        self.watchdog_s = _watchdog_s(environ, pid)

    @property
    def listens(self) -> bool:
        """True if there is a service manager."""
        return self._address is not None

    def send(self, *assignments: str) -> None:
        """Send assignments such as `READY=1` in one datagram."""
        if self._address is None or not assignments:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
            sender.settimeout(SEND_S)
            try:
                sender.sendto("\n".join(assignments).encode(), self._address)
            except OSError as error:
                log.warning("cannot send %s to the service manager: %s", assignments[0], error)


def _address(named: str) -> bytes | None:
    """Return the socket's address: a path, or after an `@` a name in Linux' abstract namespace."""
    if named.startswith("@"):
        return b"\0" + named[1:].encode()
    return named.encode() if named.startswith("/") else None


def _watchdog_s(environ: Mapping[str, str], pid: int) -> float | None:
    """Return the watchdog period in seconds, None if there is none for this process."""
    try:
        if int(environ.get("WATCHDOG_PID", pid)) != pid:
            return None
        watchdog_s = 1e-6 * int(environ["WATCHDOG_USEC"])
    except (KeyError, ValueError):
        return None
    return watchdog_s if watchdog_s > 0 else None
