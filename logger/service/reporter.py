"""Reports rows to outlets, each once: as stored, or changes of alarms and faults from memory.

An alarm cannot wait for the disk. `expect` is called with rows as they are handed over to the
store; while a lock or a commit takes longer than usual, the thread of `run` reports the changes of
alarms and faults among them from memory, without ids, and they are not reported again when stored.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from logger.rows import AlarmChange, AlarmEvent, AlarmKey, FaultChange, FaultEvent, FaultKey, Row
from logger.store.stall import StallTimer
from logger.store.tables import Event

DISK_S = 0.003  # longest wait of an alarm for an operation of the disk,
STORE_S = 0.05  # and for all work of storing it
PATIENCE = 4.0  # or, on a slow machine, this many times the usual of either
WEIGHT = 0.2  # of the newest duration in the usual one
LOOK_S = 0.0005  # interval of looks while a change is expected
MOST_UNSTORED = 10_000

Report = Callable[[Event], None]


@dataclass
class _Unstored:
    """A change that is not stored yet."""

    since_s: float
    event: AlarmEvent | FaultEvent
    is_reported: bool = False


class Reporter:
    """Calls `report` once for each event, on one thread at a time; it must not block.

    `disk` times the operations that rows have to wait for.
    """

    def __init__(self, report: Report, disk: StallTimer | None = None) -> None:
        self._report = report
        self._disk = disk or StallTimer()
        self._changed = threading.Condition()
        self._unstored: dict[AlarmKey | FaultKey, _Unstored] = {}  # the oldest first
        self._usual_s = 0.0  # from `expect` until it is stored
        self._ended = False

    def expect(self, rows: Iterable[Row]) -> None:
        """Note the rows that are about to be handed over to the store."""
        events = _events(rows)
        if events:
            with self._changed:
                self._add(events)
                self._changed.notify_all()

    def report_stored(self, rows: Iterable[Row], stored: Iterable[Event]) -> None:
        """Report the events of `rows`, which were stored, except those reported before."""
        now_s = time.monotonic()
        with self._changed:
            changes = {event.key: self._unstored.pop(event.key, None) for event in _events(rows)}
            for change in changes.values():
                if change is not None and not change.is_reported:
                    self._usual_s += WEIGHT * (now_s - change.since_s - self._usual_s)
            for item in stored:
                change = (
                    changes.get(item.key) if isinstance(item, AlarmEvent | FaultEvent) else None
                )
                if change is None or not change.is_reported:
                    self._report(item)

    def report_unstored(self, rows: Iterable[Row]) -> None:
        """Report the changes of alarms and faults among rows that cannot be stored now."""
        with self._changed:
            for change in self._add(_events(rows)):
                self._report_early(change)

    def report(self, item: Event) -> None:
        """Report an event that another process has stored."""
        with self._changed:
            self._report(item)

    def run(self) -> None:
        """Report from memory what takes long to be stored, until `end` is called."""
        was_late = False
        with self._changed:
            while not self._ended:
                change = self._next()
                is_late = self._is_late(change)
                if change is not None and is_late and was_late:  # the keeper had a turn in between
                    self._report_early(change)
                else:
                    self._changed.wait(None if change is None else LOOK_S)
                    was_late = is_late

    def end(self) -> None:
        """Let `run` return."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()

    def _next(self) -> _Unstored | None:
        return next((change for change in self._unstored.values() if not change.is_reported), None)

    def _is_late(self, change: _Unstored | None) -> bool:
        """True if the oldest change must not wait longer."""
        if change is None:
            return False
        age_s = time.monotonic() - change.since_s
        disk = self._disk
        return disk.lasts_s() > max(DISK_S, PATIENCE * disk.usual_s) or age_s > max(
            STORE_S, PATIENCE * self._usual_s
        )

    def _add(self, events: Sequence[AlarmEvent | FaultEvent]) -> list[_Unstored]:
        now_s = time.monotonic()
        changes = [
            self._unstored.setdefault(event.key, _Unstored(now_s, event)) for event in events
        ]
        while len(self._unstored) > MOST_UNSTORED:
            del self._unstored[next(iter(self._unstored))]
        return changes

    def _report_early(self, change: _Unstored) -> None:
        if not change.is_reported:
            change.is_reported = True
            self._report(change.event)


def _events(rows: Iterable[Row]) -> list[AlarmEvent | FaultEvent]:
    return [row.event() for row in rows if isinstance(row, AlarmChange | FaultChange)]
