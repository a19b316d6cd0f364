"""Queue of messages of one channel: ordered, bounded, with summaries of alarm storms.

No threads, no store and no clock of its own: seconds of any steady clock are arguments. This queue
is for alarms, `fault_queue` has the one for faults. An alarm of a kind that has been quiet is
reported as it happens: its raising, its clearing. A kind that recurs within a minute of its last
message, or before that was delivered, is a storm: its changes are collected into one message with
their count, delivered when the minute is over. The changes of a shelved kind are likewise collected
until it is unshelved. A daily message is due at a minute of the day, UTC.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Collection, Iterable, Sequence
from typing import NamedTuple

from logger.notify.channel import Message
from logger.rows import AlarmEvent, ChangeKind
from logger.store.deliveries import Delivery
from logger.utc import DAY_NS

QUIET_S = 60.0
MINUTE_NS = 60_000_000_000
Compose = Callable[[AlarmEvent, int, int, bool], Message]


class Due(NamedTuple):
    """The entries to deliver now, in one message, or the seconds until one is due.

    `wait_s` is None if none waits for a time.
    """

    entries: Sequence[Delivery]
    wait_s: float | None


class Queue(ABC):
    """Waiting messages, the oldest first."""

    def __init__(self) -> None:
        self.entries: list[Delivery] = []

    def restore(self, entries: Iterable[Delivery]) -> None:
        """Put the messages of an earlier run first."""
        self.entries[:0] = entries

    def put(self, kind: str, message: Message) -> Delivery:
        """Add a message; it replaces one of its kind whose delivery has not been attempted yet."""
        for entry in self.entries:
            if entry.kind == kind and not entry.attempts:
                entry.message = message
                return entry
        self.entries.append(Delivery(kind, message))
        return self.entries[-1]

    def due(self, now_s: float, held: Collection[str]) -> Due:
        """Return what is due; entries of the `held` kinds are not."""
        ready: list[Delivery] = []
        wait_s = None
        kinds = set(held)
        for entry in self.entries:
            if entry.kind in kinds:
                continue
            kinds.add(entry.kind)  # one after the other
            left_s = self.left_s(entry, now_s)
            if left_s <= 0:
                ready.append(entry)
            else:
                wait_s = left_s if wait_s is None else min(wait_s, left_s)
        return Due(self.together(ready, now_s), None if ready else wait_s)

    @abstractmethod
    def left_s(self, entry: Delivery, now_s: float) -> float:
        """Return the seconds until a message may be delivered."""

    def together(self, ready: list[Delivery], now_s: float) -> list[Delivery]:
        """Return those of the entries that are due that are delivered next, in one message."""
        return ready[:1]

    def remove(self, entry: Delivery) -> None:
        """Remove an entry that does not wait any more."""
        self.entries.remove(entry)
        entry.is_done = True

    @abstractmethod
    def done(self, entry: Delivery, now_s: float) -> None:
        """Remove an entry that was delivered or given up."""


class MessageQueue(Queue):
    """Queue of alarms; `compose(event, raises, clears, summary)` makes the message of one."""

    def __init__(self, compose: Compose) -> None:
        super().__init__()
        self._compose = compose
        self._quiet_from_s: dict[str, float] = {}  # a minute after the last message of a kind
        self._alone: dict[str, str] = {}  # by kind, the alarm that is reported as it happens

    def restore(self, entries: Iterable[Delivery]) -> None:
        super().restore(entries)
        for entry in self.entries:
            if is_summary(entry):
                self._alone.pop(entry.kind, None)
            elif alarm := entry.message.get("raised_utc"):
                self._alone[entry.kind] = alarm

    def add(self, event: AlarmEvent, now_s: float, *, shelved: bool) -> Delivery:
        """Add a change of an alarm; return its entry."""
        kind, raised_utc = event.alarm.kind, event.alarm.raised_utc
        pending = [entry for entry in self.entries if entry.kind == kind]
        if event.change == ChangeKind.RAISED:
            alone = not shelved and not pending and now_s >= self._quiet_from_s.get(kind, now_s)
        else:  # an unstored change does not identify its alarm
            alone = not shelved and kind in self._alone and raised_utc in (None, self._alone[kind])
        raises = int(event.change == ChangeKind.RAISED)
        clears = int(event.change == ChangeKind.CLEARED)
        if alone:
            self._alone[kind] = raised_utc or self._alone[kind]
        else:
            self._alone.pop(kind, None)
            last = pending[-1] if pending else None
            if last is not None and is_summary(last) and not last.attempts:
                raises += last.message["raise_count"]
                clears += last.message["clear_count"]
                last.message = self._compose(event, raises, clears, True)
                return last
        self.entries.append(Delivery(kind, self._compose(event, raises, clears, not alone)))
        return self.entries[-1]

    def left_s(self, entry: Delivery, now_s: float) -> float:
        return self._quiet_from_s.get(entry.kind, now_s) - now_s if is_summary(entry) else 0.0

    def done(self, entry: Delivery, now_s: float) -> None:
        self.remove(entry)
        self._quiet_from_s[entry.kind] = now_s + QUIET_S


def is_summary(entry: Delivery) -> bool:
    """True if the message covers more than one change."""
    return bool(entry.message.get("summary"))


def latest_slot(minute: int, now_ns: int) -> int:
    """Return the last time at or before now that was at this minute of a day."""
    return (now_ns - minute * MINUTE_NS) // DAY_NS * DAY_NS + minute * MINUTE_NS


def is_daily_due(minute: int, last_ns: int, now_ns: int) -> bool:
    """True if a daily message is due; a clock that was ahead delays it by at most a day."""
    return min(last_ns, now_ns) < latest_slot(minute, now_ns) or last_ns - now_ns > DAY_NS
