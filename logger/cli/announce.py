"""Announces transmissions and changes of alarms and faults: text on stderr, JSON lines on stdout.

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

from logger.places import with_antenna
from logger.rows import AlarmEvent, ChangeKind, FaultChangeKind, FaultEvent
from logger.store.tables import Event
from logger.wording import count

log = logging.getLogger("mismatchd")

WAITING = 10_000
END_S = 2.0  # time limit for writing the rest when the daemon ends
STDOUT = 1
WARNINGS = (
    ChangeKind.RAISED,
    FaultChangeKind.OPENED,
    FaultChangeKind.WORSENED,
    FaultChangeKind.RETURNED,
)


class Announcer:
    """Announces stored rows. Use as a context manager; `announce` never blocks."""

    def __init__(self, *, events: bool) -> None:
        self._events = events
        self._queue: queue.Queue[Event | None] = queue.Queue(WAITING)
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
            log.warning("dropped %s: the reader was too slow", count(self._dropped, "announcement"))

    def announce(self, item: Event) -> None:
        """Queue one stored row."""
        try:
            self._queue.put_nowait(item)
        except queue.Full:
            self._dropped += 1

    def _work(self) -> None:
        while (item := self._queue.get()) is not None:
            if self._events:
                self._emit(item)
            warns = isinstance(item, AlarmEvent | FaultEvent) and item.change in WARNINGS
            log.log(logging.WARNING if warns else logging.INFO, words(item))

    def _emit(self, item: Event) -> None:
        line: dict[str, Any]
        if isinstance(item, AlarmEvent):
            alarm = msgspec.structs.asdict(item.alarm)
            line = {"event": "alarm", "change": item.change, **alarm}
        elif isinstance(item, FaultEvent):
            fault = msgspec.structs.asdict(item.fault)
            line = {"event": "fault", "change": item.change, **fault}
        else:
            line = {"event": "transmission", **item.columns}
        data = msgspec.json.encode(line) + b"\n"
        try:
            sys.stdout.flush()
            while data:
                data = data[os.write(STDOUT, data) :]
        except OSError as error:
            self._events = False
            log.warning("event output stopped: stdout is closed (%s)", error.strerror)


def words(item: Event) -> str:
    """Return an event as one line for the user."""
    if isinstance(item, AlarmEvent):
        change, alarm = item
        if change == ChangeKind.RAISED:
            return f"ALARM {alarm.id} {alarm.kind} at {str(item.utc)[11:23]}: {alarm.detail}"
        return f"alarm {alarm.id} {alarm.kind} {change}"
    if isinstance(item, FaultEvent):
        head = f"FAULT {item.fault.id}" if item.change in WARNINGS else f"fault {item.fault.id}"
        return f"{head} {item.change}: {item.fault.summary}"
    row = item.columns
    channel = "" if row["channel"] is None else f"channel {row['channel']}"
    where = with_antenna(channel, row["antenna"])
    where = where and f", {where}"
    flags = f" [{row['flags']}]" if row["flags"] else ""
    return (
        f"transmission {row['id']}: {row['start_utc'][11:19]}, {row['duration_s']:.1f} s"
        f"{where}, {row['forward_w_mean']:.2f} W, {swr_words(row)}{flags}"
    )


def swr_words(row: dict[str, Any]) -> str:
    """Return the SWR with its 95 % interval, or a note that it is not readable."""
    if row["swr"] is None:
        return "SWR not readable at this power"
    return f"SWR {row['swr']:.2f} ({row['swr_low']:.2f} to {row['swr_high']:.2f})"
