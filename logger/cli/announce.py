"""Announces ended transmissions and alarm changes: text on stderr, JSON lines on stdout.

Writes on its own thread behind a bounded queue, so that a stuck terminal or pipe does not block the
daemon. On overflow lines are dropped and counted.
"""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import sys
import threading
from typing import Any

import msgspec

from logger.store.tables import Stored

log = logging.getLogger("mismatchd")

WAITING = 10_000
END_S = 2.0  # time limit for writing the rest when the daemon ends
STDOUT = 1


class Announcer:
    """Announces stored rows. Use as a context manager; `tell` never blocks."""

    def __init__(self, *, events: bool) -> None:
        self._events = events
        self._queue: queue.Queue[Stored | None] = queue.Queue(WAITING)
        self._dropped = 0
        self._thread = threading.Thread(target=self._work, name="announcer", daemon=True)

    def __enter__(self) -> Announcer:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(queue.Full):
            self._queue.put(None, timeout=0.5)
        self._thread.join(END_S)
        if self._dropped:
            log.warning("%d announcements were dropped: the reader was too slow", self._dropped)

    def tell(self, item: Stored) -> None:
        """Queue one stored row."""
        try:
            self._queue.put_nowait(item)
        except queue.Full:
            self._dropped += 1

    def _work(self) -> None:
        while (item := self._queue.get()) is not None:
            if self._events:
                self._emit(item)
            log.log(logging.WARNING if item.change == "raised" else logging.INFO, words(item))

    def _emit(self, item: Stored) -> None:
        event: dict[str, Any]
        if item.change is None:
            event = {"event": "transmission", **item.columns}
        else:
            event = {"event": "alarm", "change": item.change, **item.columns}
        line = msgspec.json.encode(event) + b"\n"
        try:
            sys.stdout.flush()
            while line:
                line = line[os.write(STDOUT, line) :]
        except OSError as error:
            self._events = False
            log.warning("events stop: stdout is closed (%s)", error.strerror)


def words(item: Stored) -> str:
    """Return a row as one line for the user."""
    row = item.columns
    if item.change is None:
        where = "" if row["channel"] is None else f", channel {row['channel']}"
        flags = f" [{row['flags']}]" if row["flags"] else ""
        return (
            f"transmission {row['id']}: {row['start_utc'][11:19]}, {row['duration_s']:.1f} s"
            f"{where}, {row['forward_w_mean']:.2f} W, {swr_words(row)}{flags}"
        )
    if item.change == "raised":
        return f"ALARM {row['id']} {row['kind']} at {row['raised_utc'][11:23]}: {row['detail']}"
    return f"alarm {row['id']} {row['kind']} {item.change}"


def swr_words(row: dict[str, Any]) -> str:
    """Return the SWR with its 95 % interval, or a note that it is not readable."""
    if row["swr"] is None:
        return "SWR not readable at this power"
    return f"SWR {row['swr']:.2f} ({row['swr_low']:.2f} to {row['swr_high']:.2f})"
