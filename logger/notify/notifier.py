"""One channel, fed from the store on its own thread.

The daemon calls `offer` for each change of an alarm, which wakes the thread at once; the thread
then reads the changes from the store, so nothing is lost between two runs. Only changes that the
store cannot accept (a full disk) are delivered from memory. See `logger.store.deliveries` for the
stored state, `waiting` for storms and shelving.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from random import Random
from typing import Any

from logger.config.notifiers import NotifierOptions
from logger.errors import StoreError
from logger.notify import daily, messages
from logger.notify.channel import (
    Aborts,
    AlarmIndicator,
    AlarmListener,
    DeliveryChannel,
    Message,
    NotDelivered,
    Standing,
)
from logger.notify.waiting import QueuedMessage, Waiting
from logger.outlets.pacing import Backoff
from logger.store.deliveries import Deliveries, DeliveryTotals, FinishedMessage, Progress
from logger.store.reader import Store
from logger.store.tables import Stored
from logger.utc import format_ns

log = logging.getLogger("mismatchd.notify")

IDLE_S = 5.0  # interval of checks of the time of day, the shelf and the channel's display
SHELF_S = 1.0  # likewise while a message waits only for the shelf
SAVE_S = 10.0  # interval of storing the position if nothing was delivered
LAST_S = 1.5  # time for the rest at shutdown; after that it waits in the store
FRESH = 1000  # most changes offered and not yet processed
TOLD = 1000  # most changes delivered before they were stored
DAILY = "daily"

Advise = Callable[[Mapping[str, Any]], Sequence[str]]
Facts = Callable[[], Mapping[str, Any]]


class Notifier:
    """Delivers the alarms of one channel. `run` works until `end` is called; `offer` never blocks.

    facts    the daemon's status, for the daily message
    advise   returns the possible causes for an alarm's columns
    """

    def __init__(
        self,
        options: NotifierOptions,
        store: Path,
        station: str,
        *,
        facts: Facts = dict,
        advise: Advise = lambda columns: (),
        random: Random | None = None,
        clock: Callable[[], float] = time.monotonic,
        utc_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self.name = options.title
        self._options = options
        self._path = store
        self._station = station
        self._facts = facts
        self._advise = advise
        self._clock = clock
        self._utc_ns = utc_ns
        self._channel: DeliveryChannel | None = None
        self._fresh: deque[Stored] = deque(maxlen=FRESH)
        self._wake = threading.Event()
        self._ending = False
        self._queue: Deliveries | None = None
        self._progress = Progress(0, utc_ns())
        self._saved = self._progress
        self._saved_s = clock()
        self._waiting = Waiting(self._compose)
        self._known = False  # whether the state of earlier runs has been read
        self._ended: list[FinishedMessage] = []
        self._told: dict[tuple[str, str, str], None] = {}  # delivered before being stored
        self._open: dict[str, dict[str, Any]] = {}  # alarms by kind
        self._shelved: frozenset[str] = frozenset()
        self._backoff = Backoff(random or Random())
        self._retry_s: float | None = None
        self._show_s: float | None = None
        self._totals = DeliveryTotals(0, 0, None)
        self._delivered = 0
        self._store_error: str | None = None
        self._fault: str | None = None
        self._last_error: tuple[str, int] | None = None

    def use(self, channel: DeliveryChannel) -> None:
        """Set the channel, before `run`."""
        self._channel = channel

    # Called from other threads.

    def offer(self, item: Stored) -> None:
        """Note a row that was stored, or could not be: changes of alarms are processed soon."""
        if item.change is not None:
            self._fresh.append(item)
            self._wake.set()

    def wake(self) -> None:
        """Run all checks soon."""
        self._wake.set()

    def end(self) -> None:
        """Let `run` return within a second or two; undelivered messages wait in the store."""
        self._ending = True
        self._wake.set()

    def abandon(self) -> None:
        """Abort a delivery that outlasts the daemon."""
        if isinstance(self._channel, Aborts):
            self._channel.abort()

    def status(self) -> dict[str, Any]:
        """Return the entry for `mismatchd status`; only `last_error` outlasts a recovery."""
        text, time_ns = self._last_error or (None, None)
        return {
            "name": self.name,
            "kind": self._options.kind,
            "to": self._options.told,
            "delivered": self._delivered,
            **self._totals.columns(),
            "failing": self._fault is not None,
            "last_error": text,
            "last_error_utc": None if time_ns is None else format_ns(time_ns),
        }

    # The thread.

    def run(self) -> None:
        """Deliver until `end` is called, then whatever can be delivered quickly."""
        while not self._ending:
            wait_s = self._step()
            self._wake.wait(wait_s)
            self._wake.clear()
        until_s = self._clock() + LAST_S
        while self._step() == 0.0 and self._fault is None and self._clock() < until_s:
            pass
        self.close()

    def close(self) -> None:
        """Release the channel and the store; may be called twice."""
        if self._channel is not None:
            self._channel.close()
        if self._queue is not None:
            with contextlib.suppress(StoreError):
                self._save()
            self._forget()

    def _step(self) -> float:
        try:
            return self.step()
        except Exception as error:  # no exception may end this thread silently
            # Its text may contain secrets; its type does not.
            at = traceback.extract_tb(error.__traceback__)[-1]
            where = f"{Path(at.filename).name}:{at.lineno}"
            self._failed(NotDelivered(f"internal failure: {type(error).__name__} at {where}"))
            return IDLE_S

    def step(self) -> float:
        """Process changes, deliver one message, update the display; return seconds to wait."""
        assert self._channel is not None
        waiting = self._waiting
        self._follow()
        self._put_daily(waiting)
        now_s = self._clock()
        wait_s = IDLE_S
        if self._retry_s is not None and now_s < self._retry_s:
            wait_s = self._retry_s - now_s
        else:
            try:
                entry, due_s = waiting.due(self._clock(), self._shelved)
                if entry is not None:
                    self._deliver(waiting, entry)
                    due_s = 0.0
                shown_s = self._show()
            except NotDelivered as error:
                wait_s = self._failed(error)
            else:
                self._works(tried=entry is not None or isinstance(self._channel, AlarmIndicator))
                wait_s = min([IDLE_S, *(s for s in (shown_s, due_s) if s is not None)])
        self._save_if_due(waiting)
        if self._shelved and any(entry.kind in self._shelved for entry in waiting.entries):
            wait_s = min(wait_s, SHELF_S)
        return wait_s

    # New changes.

    def _follow(self) -> None:
        """Read new changes from the store, or else from memory."""
        fresh = []
        while self._fresh:
            fresh.append(self._fresh.popleft())
        try:
            self._from_store()
        except StoreError as error:
            self._forget()
            if self._store_error is None:
                log.warning("%s: %s; alarms are delivered from memory", self.name, error)
            self._store_error = str(error)
        else:
            self._store_error = None
            fresh = [item for item in fresh if item.columns["id"] is None]
        for item in fresh:
            assert item.change is not None
            key = _key(item.change, item.columns)
            if key not in self._told:
                self._told[key] = None
                if len(self._told) > TOLD:
                    del self._told[next(iter(self._told))]
                self._changed(item.change, item.columns)

    def _from_store(self) -> None:
        queue = self._opened()
        while changes := queue.changes_after(self._progress.change_id):
            shelved = queue.shelved(self._utc_ns())
            self._shelved = shelved
            for change in changes:
                self._progress = self._progress._replace(change_id=change.id)
                key = _key(change.change, change.columns)
                if key in self._told:
                    del self._told[key]
                else:
                    self._changed(change.change, change.columns)
            self._open = {row["kind"]: row for row in queue.open_rows()}
        if self._waiting.entries:
            self._shelved = queue.shelved(self._utc_ns())

    def _opened(self) -> Deliveries:
        replaced = self._queue is not None and self._queue.database.replaced
        if replaced:
            self._forget()
        if self._queue is None:
            queue = Deliveries.editor(self._path)
            try:
                progress = queue.begin(self.name, self._utc_ns())
                if not self._known:
                    self._begin(queue, progress)
                    self._known = True
                elif replaced:  # memory is more complete than the salvaged rows
                    queue.delete_waiting(self.name)
                    for entry in self._waiting.entries:
                        entry.number, entry.changed = None, True
                    seen = min(self._progress.change_id, Store(queue.database).last_change_id())
                    self._progress = self._progress._replace(change_id=seen)
                self._totals = queue.totals(self.name)
            except BaseException:
                queue.close()
                raise
            self._queue = queue
        return self._queue

    def _begin(self, queue: Deliveries, progress: Progress) -> None:
        """Restore the state of earlier runs, and the alarms already open."""
        self._progress = self._saved = progress
        self._waiting.restore(
            QueuedMessage(kept.kind, kept.message, kept.attempts, kept.id, False)
            for kept in queue.waiting(self.name)
        )
        self._shelved = queue.shelved(self._utc_ns())
        self._open = {row["kind"]: row for row in queue.open_rows()}
        for row in self._open.values():
            if not row["acknowledged_utc"]:
                self._heed("raised", row)

    def _changed(self, change: str, columns: dict[str, Any]) -> None:
        kind = columns["kind"]
        if change == "cleared":
            self._open.pop(kind, None)
        elif change == "raised" or kind in self._open:
            self._open[kind] = columns
        if not self._options.wants(kind, columns["severity"]):
            return
        self._heed(change, columns)
        assert self._channel is not None
        if change in self._channel.changes and self._waiting.add(
            change, columns, self._clock(), shelved=kind in self._shelved
        ):
            self._retry_s = None  # a new message is tried at once

    def _heed(self, change: str, columns: Mapping[str, Any]) -> None:
        kind = columns["kind"]
        if (
            isinstance(self._channel, AlarmListener)
            and self._options.wants(kind, columns["severity"])
            and (change != "raised" or kind not in self._shelved)
        ):
            self._channel.heed(change, kind)
            self._retry_s = None

    def _compose(
        self, change: str, columns: dict[str, Any], raises: int, clears: int, summary: bool
    ) -> Message:
        return messages.alarm(
            self._station,
            change,
            columns,
            utc_ns=self._utc_ns(),
            raises=raises,
            clears=clears,
            summary=summary,
            open_alarms=self._open,
            advice=self._advise(columns) if self._options.advises and change == "raised" else (),
        )

    def _put_daily(self, waiting: Waiting) -> None:
        minute, now_ns = self._options.daily_minute, self._utc_ns()
        if minute is None or not daily.is_due(minute, self._progress.daily_ns, now_ns):
            return
        self._progress = self._progress._replace(daily_ns=now_ns)
        message = messages.daily(
            self._station, now_ns, self._facts(), self._open, len(waiting.entries)
        )
        waiting.put(DAILY, message)

    # Delivering.

    def _show(self) -> float | None:
        if not isinstance(self._channel, AlarmIndicator):
            return None
        return self._channel.show(
            tuple(
                Standing(
                    row["kind"], row["severity"], row["raised_utc"], bool(row["acknowledged_utc"])
                )
                for row in self._open.values()
                if self._options.wants(row["kind"], row["severity"])
            )
        )

    def _deliver(self, waiting: Waiting, entry: QueuedMessage) -> None:
        assert self._channel is not None
        entry.attempts += 1
        entry.changed = True
        try:
            self._channel.deliver(entry.message)
        except NotDelivered as error:
            if not error.permanent:
                raise
            log.error("%s: given up: %s (%s)", self.name, error, entry.message["text"])
            self._last_error = str(error), self._utc_ns()
            self._end(waiting, entry, str(error))
        else:
            self._delivered += 1
            self._end(waiting, entry, None)

    def _end(self, waiting: Waiting, entry: QueuedMessage, refusal: str | None) -> None:
        waiting.done(entry, self._clock())
        now_ns = self._utc_ns()
        self._ended.append(
            FinishedMessage(
                entry.number, entry.kind, entry.message, entry.attempts, now_ns, refusal
            )
        )
        del self._ended[:-TOLD]  # while nothing can be stored
        if refusal is None:
            self._totals = self._totals._replace(last_ns=now_ns)

    def _failed(self, error: NotDelivered) -> float:
        """Log a new error; return the delay before the next attempt."""
        text = str(error)
        if self._fault != text:
            log.warning("%s: not delivered: %s; retrying", self.name, text)
        self._fault = text
        self._last_error = text, self._utc_ns()
        wait_s = self._backoff.next_s(error.at_least_s)
        if error.retry_s is not None:
            wait_s = error.retry_s
        self._retry_s = self._clock() + wait_s
        return wait_s

    def _works(self, *, tried: bool) -> None:
        if not tried:
            return
        self._retry_s = None
        self._backoff.reset()
        if self._fault is not None:
            self._fault = None
            log.info("%s delivers again", self.name)

    # Storing.

    def _save_if_due(self, waiting: Waiting) -> None:
        dirty = bool(self._ended) or any(entry.changed for entry in waiting.entries)
        late = self._clock() - self._saved_s >= SAVE_S and self._progress != self._saved
        if self._queue is not None and (dirty or late):
            try:
                self._save()
            except StoreError as error:
                if self._store_error is None:
                    log.warning("%s: cannot record delivered notifications: %s", self.name, error)
                self._store_error = str(error)
        self._totals = self._totals._replace(waiting=len(waiting.entries))

    def _save(self) -> None:
        if self._queue is None:
            return
        changed = [entry for entry in self._waiting.entries if entry.changed]
        if not changed and not self._ended and self._progress == self._saved:
            return
        ids = self._queue.save(
            self.name,
            self._progress,
            [(entry.number, entry.kind, entry.message, entry.attempts) for entry in changed],
            self._ended,
        )
        for entry, number in zip(changed, ids, strict=True):
            entry.number, entry.changed = number, False
        given_up = sum(one.refusal is not None for one in self._ended)
        self._totals = self._totals._replace(given_up=self._totals.given_up + given_up)
        self._ended.clear()
        self._saved, self._saved_s = self._progress, self._clock()

    def _forget(self) -> None:
        if self._queue is not None:
            self._queue.close()
            self._queue = None


def _key(change: str, columns: Mapping[str, Any]) -> tuple[str, str, str]:
    """Return the identity of a change, which is defined even before its alarm has an id."""
    return columns["kind"], change, columns[f"{change}_utc"]
