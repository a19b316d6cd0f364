"""Fault messages of one notifier: selects the faults, composes the messages, lists the open faults.

`fault_queue` decides when messages are due. A queued message has the state at its change, a due one
the present state.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Collection, Sequence

from msgspec import convert

from logger.config.notifiers import NotifierOptions
from logger.errors import StoreError
from logger.notify import messages
from logger.notify.channel import Message
from logger.notify.fault_queue import EVENT, FaultQueue, is_fault
from logger.rows import Alarm, Fault, FaultChangeKind, FaultEvent, FaultState
from logger.store.deliveries import Deliveries, Delivery
from logger.store.faults import RENEWED, Faults

# Changes whose messages include what to check.
ADVISED = (*RENEWED, FaultChangeKind.EXPLAINED)

Advise = Callable[[Fault | None, Collection[str]], Sequence[str]]


class FaultReports:
    """Queue of messages about the wanted faults, and list of those that are not closed.

    utc_ns    returns the present time
    advise    returns what to check, for a fault and the kinds of alarms
    readable  returns the store, None if it cannot be read
    """

    def __init__(
        self,
        options: NotifierOptions,
        station: str,
        advise: Advise,
        utc_ns: Callable[[], int],
        readable: Callable[[], Deliveries | None],
    ) -> None:
        self.queue = FaultQueue(self._compose)
        self._options = options
        self._station = station
        self._advise = advise
        self._utc_ns = utc_ns
        self._readable = readable
        self._active: dict[str, Fault] = {}  # by `opened_utc`

    @property
    def active(self) -> list[Fault]:
        """Wanted faults that are not closed, the oldest first."""
        return list(self._active.values())

    def recall(self, store: Deliveries, name: str, now_s: float) -> None:
        """Count the messages that earlier runs of a notifier delivered."""
        now_ns = self._utc_ns()
        for kind, message, ended_ns in store.finished(name, EVENT):
            self.queue.count(kind, message, now_s - max(0, now_ns - ended_ns) / 1e9)

    def add(self, event: FaultEvent, now_s: float) -> Delivery | None:
        """Queue a change; return its entry, None if the fault is not wanted."""
        fault = event.fault
        if not self._wants(fault):
            return None
        if fault.state == FaultState.CLOSED:
            self._active.pop(fault.opened_utc, None)
        else:
            self._active[fault.opened_utc] = fault
        return self.queue.add(event, now_s)

    def refresh(self, store: Deliveries) -> None:
        """Read the faults that are not closed. Raise StoreError."""
        stored = {fault.opened_utc: fault for fault in store.open_faults()}
        unstored = {utc: fault for utc, fault in self._active.items() if fault.id is None}
        self._active = unstored | {
            utc: fault for utc, fault in stored.items() if self._wants(fault)
        }

    def forget(self, event: FaultEvent) -> None:
        """Rely on the store for this fault from now on."""
        self._active.pop(event.fault.opened_utc, None)

    def held(self, shelved: frozenset[str]) -> frozenset[str]:
        """Return the kinds of entries whose faults have alarms of shelved kinds only."""
        return frozenset(
            entry.kind
            for entry in self.queue.entries
            if shelved
            and is_fault(entry)
            and (kinds := self._kinds(entry.message["id"]))
            and kinds <= shelved
        )

    def renew(self, entries: Sequence[Delivery]) -> list[Delivery]:
        """Bring the messages of entries that are due up to date, if the store can be read; advise.

        Return the entries that are still true, with one message for all; drop the others. Entries
        of an attempt stay as they are.
        """
        if any(entry.attempts or not is_fault(entry) for entry in entries):
            return list(entries)
        valid = []
        for entry in entries:
            event = self._latest(entry.message)
            if event is None:
                self.queue.remove(entry)
                continue
            advises = self._options.advises and event.change in ADVISED
            advice = self._advice(event.fault) if advises else ()
            entry.message = messages.fault(self._station, event, self._utc_ns(), advice)
            valid.append(entry)
        if len(valid) > 1:
            message = messages.combine([entry.message for entry in valid])
            for entry in valid:
                entry.message = message
        return valid

    def reminders(self) -> list[str]:
        """Return what to do next about open faults that nobody has acknowledged."""
        lines: list[str] = []
        for fault in self.active:
            if fault.state == FaultState.OPEN and fault.acknowledged_utc is None:
                lines += [messages.describe_fault(fault), *self._advice(fault)]
        return lines

    def advise_on(self, alarm: Alarm) -> Sequence[str]:
        """Return what to check about an alarm."""
        faults = (fault for fault in self.active if fault.id == alarm.fault_id is not None)
        return self._advise(next(faults, None), [alarm.kind])

    def _advice(self, fault: Fault) -> Sequence[str]:
        return self._advise(fault, self._kinds(fault.id) or frozenset())

    def _wants(self, fault: Fault) -> bool:
        kinds = None if self._options.alarms is None else self._kinds(fault.id)
        return self._options.wants_fault(fault, kinds)

    def _kinds(self, fault_id: int | None) -> frozenset[str] | None:
        """Return the kinds of the alarms of a fault, None if it is not stored or not readable."""
        store = None if fault_id is None else self._readable()
        if store is not None:
            with contextlib.suppress(StoreError):
                return store.kinds(fault_id)
        return None

    def _compose(self, event: FaultEvent) -> Message:
        return messages.fault(self._station, event, self._utc_ns())

    def _latest(self, message: Message) -> FaultEvent | None:
        """Return the event of a message with the present fault, None if it is no longer true."""
        change = FaultChangeKind(message["change"])
        fault = convert({name: message[name] for name in Fault.__struct_fields__}, Fault)
        store = self._readable()
        if store is not None:
            where = "r.id = ? OR r.opened_ns = ?"
            with contextlib.suppress(StoreError):
                stored = Faults(store.database).select(where, fault.id, fault.opened_ns)
                if not stored and fault.id is not None:
                    return None  # removed by `recompute`
                fault = stored[0] if stored else fault
        if change == FaultChangeKind.WORSENED and fault.acknowledged_utc is not None:
            return None  # the person who acknowledged it has seen that
        is_explained = fault.probable_cause is not None or message["summary"] == fault.summary
        if change == FaultChangeKind.EXPLAINED and not is_explained:
            return None
        return FaultEvent(change, fault, message["change_utc"])
