"""The store as one notifier uses it: the deliveries that wait, and the record of those made."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable, Sequence
from pathlib import Path

from logger.errors import StoreError
from logger.notify.message_queue import Queue
from logger.store.deliveries import Deliveries, Delivery, DeliveryTotals

log = logging.getLogger("mismatchd.notify")

LOCK_MS = 20  # the next alarm must not wait while a stalled commit holds the lock
MOST_ENDED = 1000  # ended deliveries held while nothing can be stored


class NotifierStore:
    """Opens the store when it is needed, and again after a failure or once it was replaced."""

    def __init__(self, name: str, event: str, path: Path, utc_ns: Callable[[], int]) -> None:
        self.daily_ns = utc_ns()  # time of the last daily message
        self.totals = DeliveryTotals(0, 0, None)
        self._name = name
        self._event = event
        self._path = path
        self._utc_ns = utc_ns
        self._deliveries: Deliveries | None = None
        self._is_begun = False
        self._ended: list[Delivery] = []
        self._dropped: set[int] = set()
        self._is_failing = False

    def open(self, messages: Queue) -> Deliveries:
        """Return the open store. Raise StoreError."""
        is_replaced = self._deliveries is not None and self._deliveries.database.replaced
        if is_replaced:
            self._forget()
        if self._deliveries is None:
            deliveries = Deliveries.editor(self._path)
            try:
                daily_ns = deliveries.begin(self._name, self._event, self._utc_ns())
                if not self._is_begun:
                    self.daily_ns = daily_ns
                elif is_replaced:  # memory is more complete than the salvaged rows
                    deliveries.delete_attempted(self._name)
                    self._dropped.clear()
                    for entry in (*messages.entries, *self._ended):
                        entry.rows.clear()
                        entry.changed = entry.changed or entry.attempts > 0
                self._is_begun = True
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

    def finish(self, entry: Delivery, refusal: str | None) -> None:
        """Note a message as delivered, or as refused for good."""
        entry.ended_ns, entry.refusal = self._utc_ns(), refusal
        self._ended.append(entry)
        del self._ended[:-MOST_ENDED]
        if refusal is None:
            self.totals = self.totals._replace(last_ns=entry.ended_ns)

    def drop(self, rows: Sequence[int]) -> None:
        """Note that these rows have nothing to report, or no more than has been reported."""
        self._dropped.update(rows)

    def save_if_due(self, entries: Sequence[Delivery]) -> None:
        """Store what has changed."""
        try:
            self.save(entries)
        except StoreError as error:
            self._log(f"cannot record delivered notifications: {error}")
        self.totals = self.totals._replace(waiting=len(entries))

    def save(self, entries: Sequence[Delivery]) -> None:
        """Store what has changed. Raise StoreError."""
        deliveries = [*(entry for entry in entries if entry.changed), *self._ended]
        if self._deliveries is not None and (deliveries or self._dropped):
            self._deliveries.save(self._name, self.daily_ns, deliveries, [*self._dropped])
            self._ended.clear()
            self._dropped.clear()
            self.totals = self._deliveries.totals(self._name)

    def close(self, entries: Sequence[Delivery]) -> None:
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
