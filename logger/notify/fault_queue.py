"""Queue of messages of faults of one channel: few, and each with the latest state. Pure logic.

No threads, no store and no clock of its own: seconds of any steady clock are arguments. A fault has
at most one waiting message, since a later change is merged into it. The limits are counted over
delivered messages: for a fault in its first hour and on each later day, where the messages of days
without any are saved, and for all faults of the station. Faults whose messages are due together
share one if there are many, or little is left of the station's limit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from logger.notify.channel import Message
from logger.notify.message_queue import Queue
from logger.rows import FaultChangeKind, FaultEvent
from logger.store.deliveries import Delivery

HOUR_S = 3600.0
DAY_S = 86_400.0
UPDATES = (FaultChangeKind.WORSENED, FaultChangeKind.EXPLAINED)
UPDATE_S = 600.0  # between two updates of a fault
MOST_FIRST_HOUR = 3  # messages of a fault in the hour after the first one; later one in DAY_S,
MOST_SAVED = 3  # of which so many can be saved
# Seconds, and messages in any such time over all faults. One of them is only for openings.
MOST_AT_STATION = ((600.0, 3), (HOUR_S, 6))
MOST_SINGLE = 2  # of faults whose messages are due together, those with a message each
EVENT = "fault"

Compose = Callable[[FaultEvent], Message]


@dataclass
class FaultCourse:
    """Delivered messages of a fault: within an hour of the first one, and on days after that.

    Each day has one message; those of the latest days can be saved, so that good or bad news need
    not wait for a day to pass.
    """

    first_s: float
    early: int = 0
    update_s: float = -math.inf  # the last update

    def __post_init__(self) -> None:
        self._day_s = self.first_s + HOUR_S  # begin of the first day whose message is unspent

    def count(self, change: str, now_s: float) -> None:
        """Count a delivered message."""
        if now_s < self.first_s + HOUR_S:
            self.early += 1
        else:
            self._day_s = max(self._day_s, now_s - (MOST_SAVED - 1) * DAY_S) + DAY_S
        if change in UPDATES:
            self.update_s = now_s

    def earliest_s(self, change: str, now_s: float) -> float:
        """Return when the next message may be delivered, `now_s` or later."""
        time_s = max(now_s, self.update_s + UPDATE_S) if change in UPDATES else now_s
        hour_s = self.first_s + HOUR_S
        if self.early >= MOST_FIRST_HOUR:
            time_s = max(time_s, hour_s)
        return time_s if time_s < hour_s else max(time_s, self._day_s)


class FaultQueue(Queue):
    """Queue of faults; `compose` makes the message of a change."""

    def __init__(self, compose: Compose) -> None:
        super().__init__()
        self._compose = compose
        self._courses: dict[str, FaultCourse] = {}  # by kind of their entries
        self._times_s: list[float] = []  # of the latest messages of all faults
        self._last_id: str | None = None  # of the latest message

    def add(self, event: FaultEvent, now_s: float) -> Delivery:
        """Add a change of a fault; return its entry."""
        kind = kind_of(event.fault.opened_utc)
        for entry in self.entries:
            if entry.kind == kind and not entry.attempts:
                event = event._replace(change=_merged(entry.message["change"], event.change))
        return self.put(kind, self._compose(event))

    def together(self, ready: list[Delivery], now_s: float) -> list[Delivery]:
        for entry in ready:
            if entry.attempts or not is_fault(entry):
                # The message of an attempt may have arrived: it stays as it is.
                number = entry.message["message_id"]
                return [entry, *(e for e in self.entries if e is not entry and _id_of(e) == number)]
        return ready if len(ready) > min(MOST_SINGLE, self._free(now_s)) else ready[:1]

    def done(self, entry: Delivery, now_s: float) -> None:
        self.remove(entry)
        if is_fault(entry):
            self.count(entry.kind, entry.message, now_s)

    def count(self, kind: str, message: Message, time_s: float) -> None:
        """Count a message that was delivered, also by an earlier run; the oldest first."""
        self._courses.setdefault(kind, FaultCourse(time_s)).count(message["change"], time_s)
        if message["message_id"] != self._last_id:  # else one message of several faults
            self._last_id = message["message_id"]
            most = max(most for _, most in MOST_AT_STATION)
            self._times_s = [*self._times_s, time_s][-most:]

    def left_s(self, entry: Delivery, now_s: float) -> float:
        if not is_fault(entry):
            return 0.0
        change = entry.message["change"]
        course = self._courses.get(entry.kind)
        time_s = now_s if course is None else course.earliest_s(change, now_s)
        for span_s, most in MOST_AT_STATION:
            most -= change != FaultChangeKind.OPENED
            if len(self._times_s) >= most:
                time_s = max(time_s, self._times_s[-most] + span_s)
        return time_s - now_s

    def _free(self, now_s: float) -> int:
        """Return how many messages the station's limit permits now."""
        return min(
            most - sum(now_s < time_s + span_s for time_s in self._times_s)
            for span_s, most in MOST_AT_STATION
        )


def kind_of(opened_utc: str) -> str:
    """Return the kind of the entries of a fault."""
    return f"{EVENT} {opened_utc}"


def is_fault(entry: Delivery) -> bool:
    """True if the message is of a fault."""
    return bool(entry.message.get("event") == EVENT)


def _id_of(entry: Delivery) -> str | None:
    return entry.message.get("message_id")


def _merged(waiting: str, change: FaultChangeKind) -> FaultChangeKind:
    """Return the change to report for two; an update is part of any other change."""
    if change in UPDATES and waiting != FaultChangeKind.EXPLAINED:
        return FaultChangeKind(waiting)
    return change
