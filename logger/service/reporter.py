"""Reports rows to outlets, each once: as stored, or changes of alarms and faults from memory.

An alarm cannot wait for the disk. `expect` is called with rows as they are handed over to the
store; while a lock or a commit takes longer than usual, the thread of `run` reports the changes of
alarms and faults among them from memory, without ids, and they are not reported again when stored.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from typing import NamedTuple

from logger.rows import AlarmChange, AlarmEvent, AlarmKey, FaultChange, FaultEvent, FaultKey, Row
from logger.store.stall import StallTimer
from logger.store.tables import Event

DISK_S = 0.005  # longest wait of an alarm for an operation of the disk,
STORE_S = 0.05  # and for all work of storing it
PATIENCE = 4.0  # or, on a slow machine, this many times the usual
WEIGHT = 0.2  # of the newest duration in the usual one
LOOK_S = 0.001  # interval of looks while a change is expected
MOST_EARLY = 10_000  # changes reported and not yet stored

Report = Callable[[Event], None]


class _Expected(NamedTuple):
    since_s: float
    event: AlarmEvent | FaultEvent


class Reporter:
    """Calls `report` once for each event, on one thread at a time; it must not block.

    `disk` times the operations that rows have to wait for.
    """

    def __init__(self, report: Report, disk: StallTimer | None = None) -> None:
        self._report = report
        self._disk = disk or StallTimer()
        self._changed = threading.Condition()
        self._expected: deque[_Expected] = deque()
        self._early: dict[AlarmKey | FaultKey, None] = {}  # reported before being stored
        self._usual_s = 0.0  # from `expect` to the report
        self._ended = False

    def expect(self, rows: Iterable[Row]) -> None:
        """Note the rows that are about to be handed over to the store."""
        now_s = time.monotonic()
        expected = [_Expected(now_s, event) for event in _events(rows)]
        if expected:
            with self._changed:
                self._expected += expected
                self._changed.notify_all()

    def report_stored(self, rows: Iterable[Row], stored: Iterable[Event]) -> None:
        """Report the events of `rows`, which were stored, except those reported before."""
        keys = {event.key for event in _events(rows)}
        with self._changed:
            for expected in [entry for entry in self._expected if entry.event.key in keys]:
                self._expected.remove(expected)
                took_s = time.monotonic() - expected.since_s
                self._usual_s += WEIGHT * (took_s - self._usual_s)
            for item in stored:
                if not (isinstance(item, AlarmEvent | FaultEvent) and item.key in self._early):
                    self._report(item)
            for key in keys:
                self._early.pop(key, None)

    def report_unstored(self, rows: Iterable[Row]) -> None:
        """Report the changes of alarms and faults among rows that cannot be stored now."""
        events = _events(rows)
        keys = {event.key for event in events}
        with self._changed:
            self._expected = deque(entry for entry in self._expected if entry.event.key not in keys)
            for event in events:
                self._report_early(event)

    def report(self, item: Event) -> None:
        """Report an event that another process has stored."""
        with self._changed:
            self._report(item)

    def run(self) -> None:
        """Report from memory what takes long to be stored, until `end` is called."""
        was_late = False
        with self._changed:
            while not self._ended:
                is_late = bool(self._expected) and self._is_late()
                if is_late and was_late:  # the keeper had a turn in between
                    self._report_early(self._expected.popleft().event)
                else:
                    self._changed.wait(LOOK_S if self._expected else None)
                    was_late = is_late

    def end(self) -> None:
        """Let `run` return."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()

    def _is_late(self) -> bool:
        """True if the oldest change must not wait longer."""
        age_s = time.monotonic() - self._expected[0].since_s
        return self._disk.lasts_s() > DISK_S or age_s > max(STORE_S, PATIENCE * self._usual_s)

    def _report_early(self, event: AlarmEvent | FaultEvent) -> None:
        if event.key in self._early:
            return
        self._early[event.key] = None
        if len(self._early) > MOST_EARLY:
            del self._early[next(iter(self._early))]
        self._report(event)


def _events(rows: Iterable[Row]) -> list[AlarmEvent | FaultEvent]:
    return [row.event() for row in rows if isinstance(row, AlarmChange | FaultChange)]
