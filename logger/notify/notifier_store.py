"""The store as one notifier uses it: its position, its waiting and its finished messages."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable, Sequence
from pathlib import Path

from logger.errors import StoreError
from logger.notify.message_queue import Queue, QueuedMessage
from logger.store.deliveries import Deliveries, DeliveryTotals, FinishedMessage, Progress
from logger.store.faults import Faults
from logger.store.reader import Store

log = logging.getLogger("mismatchd.notify")

SAVE_S = 10.0  # interval of storing the position if nothing was delivered
LOCK_MS = 20  # the next alarm must not wait while a stalled commit holds the lock
MOST_FINISHED = 1000  # finished messages held while nothing can be stored


class NotifierStore:
    """Opens the store when it is needed, and again after a failure or once it was replaced."""

    def __init__(
        self, name: str, path: Path, clock: Callable[[], float], utc_ns: Callable[[], int]
    ) -> None:
        self.progress = Progress(0, utc_ns())
        self.totals = DeliveryTotals(0, 0, None)
        self._name = name
        self._path = path
        self._clock = clock
        self._utc_ns = utc_ns
        self._deliveries: Deliveries | None = None
        self._is_restored = False  # the state of earlier runs has been read
        self._saved = self.progress
        self._saved_s = clock()
        self._finished: list[FinishedMessage] = []
        self._dropped: list[int] = []
        self._is_failing = False

    def open(self, messages: Queue) -> Deliveries:
        """Return the open store. Raise StoreError.

        The first time, add the messages of earlier runs to those that wait.
        """
        is_replaced = self._deliveries is not None and self._deliveries.database.replaced
        if is_replaced:
            self._forget()
        if self._deliveries is None:
            deliveries = Deliveries.editor(self._path)
            try:
                progress = deliveries.begin(self._name, self._utc_ns())
                if not self._is_restored:
                    self.progress = self._saved = progress
                    messages.restore(
                        QueuedMessage(entry.kind, entry.message, entry.attempts, entry.id, False)
                        for entry in deliveries.waiting(self._name)
                    )
                    self._is_restored = True
                elif is_replaced:  # memory is more complete than the salvaged rows
                    deliveries.delete_waiting(self._name)
                    for entry in messages.entries:
                        entry.number, entry.changed = None, True
                    self._dropped.clear()
                    database, before = deliveries.database, self.progress
                    self.progress = before._replace(
                        change_id=min(before.change_id, Store(database).last_change_id()),
                        fault_change_id=min(
                            before.fault_change_id, Faults(database).last_change_id()
                        ),
                    )
                self.totals = deliveries.totals(self._name)
                deliveries.database.wait_for_locks(LOCK_MS)
            except BaseException:
                deliveries.close()
                raise
            self._deliveries = deliveries
        return self._deliveries

    def fail(self, error: StoreError) -> None:
        """Close the store after a failure to read it, so that it is opened again."""
        self._forget()
        self._log(f"{error}; alarms are delivered from memory")

    def recover(self) -> None:
        """Note that the store can be read."""
        self._is_failing = False

    def finish(self, entry: QueuedMessage, refusal: str | None) -> None:
        """Note a message as delivered, or as refused for good."""
        now_ns = self._utc_ns()
        self._finished.append(
            FinishedMessage(
                entry.number, entry.kind, entry.message, entry.attempts, now_ns, refusal
            )
        )
        del self._finished[:-MOST_FINISHED]
        if refusal is None:
            self.totals = self.totals._replace(last_ns=now_ns)

    def drop(self, entry: QueuedMessage) -> None:
        """Note that a waiting message was removed."""
        if entry.number is not None:
            self._dropped.append(entry.number)

    def save_if_due(self, entries: Sequence[QueuedMessage]) -> None:
        """Store what has changed; the position alone only from time to time."""
        is_late = self._clock() - self._saved_s >= SAVE_S
        if self._finished or self._dropped or is_late or any(entry.changed for entry in entries):
            try:
                self.save(entries)
            except StoreError as error:
                self._log(f"cannot record delivered notifications: {error}")
        self.totals = self.totals._replace(waiting=len(entries))

    def save(self, entries: Sequence[QueuedMessage]) -> None:
        """Store what has changed. Raise StoreError."""
        changed = [entry for entry in entries if entry.changed]
        if self._deliveries is None or not (
            changed or self._finished or self._dropped or self.progress != self._saved
        ):
            return
        ids = self._deliveries.save(
            self._name,
            self.progress,
            [(entry.number, entry.kind, entry.message, entry.attempts) for entry in changed],
            self._finished,
            self._dropped,
        )
        for entry, number in zip(changed, ids, strict=True):
            entry.number, entry.changed = number, False
        given_up = sum(message.refusal is not None for message in self._finished)
        self.totals = self.totals._replace(given_up=self.totals.given_up + given_up)
        self._finished.clear()
        self._dropped.clear()
        self._saved, self._saved_s = self.progress, self._clock()

    def close(self, entries: Sequence[QueuedMessage]) -> None:
        """Store what has changed, if possible, and close the store; may be called twice."""
        with contextlib.suppress(StoreError):
            self.save(entries)
        self._forget()

    def _log(self, text: str) -> None:
        if not self._is_failing:
            log.warning("%s: %s", self._name, text)
        self._is_failing = True

    def _forget(self) -> None:
        if self._deliveries is not None:
            self._deliveries.close()
            self._deliveries = None
