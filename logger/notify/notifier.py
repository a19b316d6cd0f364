"""One channel, fed from the store on its own thread.

The daemon calls `offer` for each change of an alarm or a fault, which wakes the thread at once. Its
delivery waits in the store as well, since the change was stored (see `store/deliveries`): the
thread then ends it there, and delivers what waits from earlier runs. See `message_queue` for storms
of alarms, shelving and the daily message, `fault_queue` for the limits of messages of faults,
`attempts` for retries.
"""

from __future__ import annotations

import threading
import time
import traceback
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random

from msgspec.structs import replace

from logger.config.notifiers import NotifierOptions
from logger.errors import StoreError
from logger.live.status import NotifierStatus, Status
from logger.notify import messages
from logger.notify.attempts import DeliveryAttempts
from logger.notify.channel import (
    AbortableChannel,
    AlarmIndicator,
    AlarmListener,
    DeliveryChannel,
    Message,
    NotDelivered,
)
from logger.notify.fault_reports import Advise, FaultReports
from logger.notify.message_queue import MessageQueue, Queue, is_daily_due, is_summary
from logger.notify.notifier_store import NotifierStore
from logger.rows import (
    Alarm,
    AlarmEvent,
    AlarmKey,
    AlarmKind,
    ChangeKind,
    FaultEvent,
    FaultKey,
    FaultState,
)
from logger.store.deliveries import ALARM, FAULT, Deliveries, Delivery
from logger.store.tables import Event
from logger.utc import format_optional

IDLE_S = 5.0  # interval of checks of the time of day, the shelf and the channel's display
SHELF_S = 1.0  # likewise while a message waits only for the shelf
LAST_S = 1.5  # time for the rest at shutdown; after that it waits in the store
MOST_FRESH = 1000  # changes offered and not yet processed
MOST_HANDLED = 10_000  # changes whose messages are remembered, to find them in the store
DAILY = "daily"

ReadStatus = Callable[[], Status | None]
Remind = Callable[[], Sequence[str]]


class Notifier:
    """Delivers the faults, or the alarms, of one channel.

    `run` works until `end` is called; `offer` never blocks.

    read_status   returns the daemon's status, for the daily message
    advise        returns what to check, for a fault and the kinds of alarms
    remind        returns what is due at the station, for the daily message
    """

    def __init__(
        self,
        options: NotifierOptions,
        store: Path,
        station: str,
        *,
        station_id: str = "",
        read_status: ReadStatus = lambda: None,
        advise: Advise = lambda fault, kinds: (),
        remind: Remind = tuple,
        random: Random | None = None,
        clock: Callable[[], float] = time.monotonic,
        utc_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self.name = options.title
        self._options = options
        self._station = station
        self._station_id = station_id
        self._read_status = read_status
        self._remind = remind
        self._clock = clock
        self._utc_ns = utc_ns
        self._channel: DeliveryChannel | None = None
        self._fresh: deque[AlarmEvent | FaultEvent] = deque(maxlen=MOST_FRESH)
        self._wake = threading.Event()
        self._ending = False
        self._event = FAULT if options.reports_faults else ALARM
        self._store = NotifierStore(self.name, self._event, store, utc_ns)
        self._attempts = DeliveryAttempts(self.name, random or Random(), clock, utc_ns)
        self._faults = FaultReports(options, station, advise, utc_ns, self._readable)
        self._queue: Queue = (
            self._faults.queue if options.reports_faults else MessageQueue(self._compose)
        )
        # By change, the message that covers it; None if it is not to be reported.
        self._handled: dict[AlarmKey | FaultKey, Delivery | None] = {}
        self._delivering_ns: int | None = None  # begin of the delivery in progress
        self._is_begun = False  # the alarms open before have been read
        self._open: dict[AlarmKind, Alarm] = {}
        self._shelved: frozenset[str] = frozenset()
        self._held: frozenset[str] = frozenset()  # kinds of entries that wait for the shelf

    def use(self, channel: DeliveryChannel) -> None:
        """Set the channel, before `run`."""
        self._channel = channel

    # Called from other threads.

    def offer(self, item: Event) -> None:
        """Note an event, stored or not: changes of alarms and faults are processed soon."""
        if isinstance(item, AlarmEvent | FaultEvent):
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
        if isinstance(self._channel, AbortableChannel):
            self._channel.abort()

    def status(self) -> NotifierStatus:
        """Return the state; only `last_error` outlasts a recovery."""
        text, time_ns = self._attempts.last_error or (None, None)
        return replace(
            NotifierStatus.of_totals(self.name, self._store.totals),
            kind=self._options.kind,
            to=self._options.destination,
            delivered=self._attempts.delivered,
            failing=self._attempts.failure is not None,
            last_error=text,
            last_error_utc=format_optional(time_ns),
            delivering_since_utc=format_optional(self._delivering_ns),
        )

    # The thread.

    def run(self) -> None:
        """Deliver until `end` is called, then whatever can be delivered quickly."""
        while not self._ending:
            wait_s = self._step()
            self._wake.wait(wait_s)
            self._wake.clear()
        until_s = self._clock() + LAST_S
        while self._step() == 0.0 and self._attempts.failure is None and self._clock() < until_s:
            pass
        self.close()

    def close(self) -> None:
        """Release the channel and the store; may be called twice."""
        if self._channel is not None:
            self._channel.close()
        self._store.close(self._queue.entries)

    def _step(self) -> float:
        try:
            return self.step()
        except Exception as error:  # no exception may end this thread silently
            # Its text may contain secrets; its type does not.
            frame = traceback.extract_tb(error.__traceback__)[-1]
            place = f"{Path(frame.filename).name}:{frame.lineno}"
            self._attempts.fail(
                NotDelivered(f"internal failure: {type(error).__name__} at {place}")
            )
            return IDLE_S

    def step(self) -> float:
        """Process changes, deliver one message, update the display; return seconds to wait.

        An offered change is delivered before its row is looked up in the store.
        """
        fresh = [self._fresh.popleft() for _ in range(len(self._fresh))]
        if fresh and self._is_begun:
            self._use_store(self._read_shelf)
        else:
            self._use_store(self._read_rows, self._read_open)
        for event in fresh:
            if event.key not in self._handled:
                self._process(event)
        self._put_daily()
        wait_s = self._attempts.wait_s() or self._attempt()
        if fresh:
            self._use_store(self._read_rows)
            wait_s = 0.0
        self._store.save_if_due(self._queue.entries)
        if any(entry.kind in self._held for entry in self._queue.entries):
            wait_s = min(wait_s, SHELF_S)
        return wait_s

    # New changes.

    def _use_store(self, *steps: Callable[[Deliveries], None]) -> None:
        try:
            store = self._store.open(self._queue)
            if not self._is_begun:
                self._begin(store)
            for step in steps:
                step(store)
        except StoreError as error:
            self._store.fail(error)
        else:
            self._store.recover()

    def _read_shelf(self, store: Deliveries) -> None:
        self._shelved = store.shelved(self._utc_ns())

    def _read_rows(self, store: Deliveries) -> None:
        """Process what waits in the store."""
        self._read_shelf(store)
        attempted, changes = store.waiting(self.name, self._event)
        rows = {row for entry in self._queue.entries for row in entry.rows}
        if attempted := [entry for entry in attempted if not rows.issuperset(entry.rows)]:
            self._queue.restore(attempted)
        for row in sorted(changes.keys() - rows):
            self._process_row(row, changes[row])

    def _begin(self, store: Deliveries) -> None:
        """Take over the alarms that are open already, and recall recent messages of faults."""
        self._faults.recall(store, self.name, self._clock())
        self._read_open(store)
        self._is_begun = True
        for alarm in self._open.values():
            if alarm.acknowledged_utc is None:
                self._notify_listener(AlarmEvent(ChangeKind.RAISED, alarm))

    def _read_open(self, store: Deliveries) -> None:
        """Read the open alarms and faults; those that are not stored yet stay."""
        unstored = {kind: alarm for kind, alarm in self._open.items() if alarm.id is None}
        self._open = unstored | {alarm.kind: alarm for alarm in store.open_alarms()}
        self._faults.refresh(store)

    def _process_row(self, row: int, event: AlarmEvent | FaultEvent | None) -> None:
        """Process a change that waits, or assign its row to the message of it."""
        if event is None:
            self._store.drop([row])
            return
        if event.key not in self._handled:
            self._process(event)
        elif isinstance(event, FaultEvent):
            self._faults.forget(event)
        entry = self._handled.get(event.key)
        if entry is not None and not entry.is_done:
            entry.rows.append(row)
        elif event.key in self._handled:
            self._store.drop([row])

    def _process(self, event: AlarmEvent | FaultEvent) -> None:
        if isinstance(event, AlarmEvent):
            entry = self._process_alarm(event)
        else:
            entry = self._faults.add(event, self._clock())
            if entry is None and event.fault.state != FaultState.CLOSED:
                return  # it waits in the store until an alarm of a wanted kind joins it
        self._handled[event.key] = entry
        if len(self._handled) > MOST_HANDLED:
            del self._handled[next(iter(self._handled))]
        if entry is None or is_summary(entry) or self._queue.left_s(entry, self._clock()) > 0:
            return
        self._attempts.retry_now()

    def _process_alarm(self, event: AlarmEvent) -> Delivery | None:
        """Process a change of an alarm; return its entry if it is to be reported."""
        change, alarm = event
        if change == ChangeKind.CLEARED:
            self._open.pop(alarm.kind, None)
        elif change == ChangeKind.RAISED or alarm.kind in self._open:
            self._open[alarm.kind] = alarm
        self._notify_listener(event)
        assert self._channel is not None
        if (
            isinstance(self._queue, MessageQueue)
            and self._options.wants(alarm)
            and change in self._channel.changes
        ):
            shelved = alarm.kind in self._shelved
            return self._queue.add(event, self._clock(), shelved=shelved)
        return None

    def _notify_listener(self, event: AlarmEvent) -> None:
        change, alarm = event
        if (
            isinstance(self._channel, AlarmListener)
            and self._options.wants(alarm)
            and (change != ChangeKind.RAISED or alarm.kind not in self._shelved)
        ):
            self._channel.on_change(change, alarm.kind)
            self._attempts.retry_now()

    def _compose(self, event: AlarmEvent, raises: int, clears: int, summary: bool) -> Message:
        advises = self._options.advises and event.change == ChangeKind.RAISED
        return messages.alarm(
            self._station,
            event,
            utc_ns=self._utc_ns(),
            raises=raises,
            clears=clears,
            summary=summary,
            open_alarms=self._open,
            advice=self._faults.advise_on(event.alarm) if advises else (),
        )

    def _put_daily(self) -> None:
        minute, now_ns = self._options.daily_minute, self._utc_ns()
        if minute is None or not is_daily_due(minute, self._store.daily_ns, now_ns):
            return
        self._store.daily_ns = now_ns
        reports_faults = self._options.reports_faults
        message = messages.daily(
            self._station,
            now_ns,
            self._read_status(),
            self._open,
            len(self._queue.entries),
            self._faults.active if reports_faults else None,
            self._faults.reminders() if reports_faults else (),
            self._remind(),
        )
        self._queue.put(DAILY, message).changed = True

    # Delivering.

    def _attempt(self) -> float:
        """Deliver one message and update the display; return seconds to wait."""
        self._held = self._shelved
        if self._options.reports_faults:
            self._held = self._faults.held(self._shelved)
        try:
            entries, due_s = self._queue.due(self._clock(), self._held)
            if entries:
                self._deliver(self._renew(entries))
                due_s = 0.0
            shown_s = self._show()
        except NotDelivered as error:
            return self._attempts.fail(error)
        if entries or isinstance(self._channel, AlarmIndicator):
            self._attempts.succeed()
        return min(seconds for seconds in (IDLE_S, shown_s, due_s) if seconds is not None)

    def _renew(self, entries: Sequence[Delivery]) -> Sequence[Delivery]:
        """Return what is still true of the entries that are due."""
        if not self._options.reports_faults:
            return entries
        valid = self._faults.renew(entries)
        for entry in entries:
            if entry not in valid:
                self._store.drop(entry.rows)
        return valid

    def _readable(self) -> Deliveries | None:
        """Return the store, None if it cannot be read."""
        try:
            return self._store.open(self._queue)
        except StoreError:
            return None

    def _show(self) -> float | None:
        if not isinstance(self._channel, AlarmIndicator):
            return None
        alarms = [alarm for alarm in self._open.values() if self._options.wants(alarm)]
        return self._channel.show(alarms, self._faults.active)

    def _deliver(self, entries: Sequence[Delivery]) -> None:
        """Deliver the message of these entries."""
        if not entries:
            return
        assert self._channel is not None
        for entry in entries:
            entry.attempts += 1
            entry.changed = True
        message = messages.identify(entries[0].message, self._station_id)
        refusal = None
        self._delivering_ns = self._utc_ns()
        try:
            self._channel.deliver(message)
            self._attempts.delivered += 1
        except NotDelivered as error:
            if not error.permanent:
                raise
            self._attempts.give_up(error, message["text"])
            refusal = str(error)
        finally:
            self._delivering_ns = None
        for entry in entries:
            self._queue.done(entry, self._clock())
            self._store.finish(entry, refusal)
