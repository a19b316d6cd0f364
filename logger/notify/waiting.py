"""What waits to be told through one channel: in order, bounded, storms summarised.

No threads, no store and no clock of its own: seconds of any even clock are given. An alarm of a
kind that has been quiet is told as it happens: its raising, its clearing. A kind that comes again
within a minute of its last message, or before that has got through, is a storm: its changes are
gathered into one message with their count, told when the minute is over. A shelved kind gathers
likewise until it is taken off the shelf.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

from logger.notify.channel import Message

QUIET_S = 60.0
Compose = Callable[[str, dict[str, Any], int, int, bool], Message]


@dataclass(eq=False)
class QueuedMessage:
    """A message that waits. `number` is its id in the store, if it is there; `changed`: the store
    has another state of it, or none."""

    kind: str
    message: Message
    attempts: int = 0
    number: int | None = None
    changed: bool = True

    @property
    def summary(self) -> bool:
        """Whether it stands for more than one change."""
        return bool(self.message.get("summary"))


class Due(NamedTuple):
    """What is to be delivered now, or how long until something is."""

    entry: QueuedMessage | None
    wait_s: float | None


class Waiting:
    """`compose(change, columns, raises, clears, summary)` writes the message of an alarm."""

    def __init__(self, compose: Compose) -> None:
        self.entries: list[QueuedMessage] = []
        self._compose = compose
        self._quiet_from_s: dict[str, float] = {}  # a minute after the last message of a kind
        self._alone: dict[str, str] = {}  # by kind the alarm that is told as it happens

    def restore(self, entries: Iterable[QueuedMessage]) -> None:
        """What has waited since an earlier run goes first."""
        self.entries[:0] = entries
        for entry in self.entries:
            if entry.summary:
                self._alone.pop(entry.kind, None)
            elif alarm := entry.message.get("raised_utc"):
                self._alone[entry.kind] = alarm

    def add(self, change: str, columns: dict[str, Any], now_s: float, *, shelved: bool) -> bool:
        """An alarm has changed; whether this is to be told at once."""
        kind, alarm = columns["kind"], columns["raised_utc"]
        mine = [entry for entry in self.entries if entry.kind == kind]
        if change == "raised":
            alone = not shelved and not mine and now_s >= self._quiet_from_s.get(kind, now_s)
        else:
            told = self._alone.get(kind)  # what could not be stored does not say which it was
            alone = not shelved and told is not None and alarm in (None, told)
        raises, clears = int(change == "raised"), int(change == "cleared")
        if alone:
            self._alone[kind] = alarm or self._alone[kind]
            self.entries.append(
                QueuedMessage(kind, self._compose(change, columns, raises, clears, False))
            )
            return True
        self._alone.pop(kind, None)
        last = mine[-1] if mine else None
        if last is None or last.attempts or not last.summary:
            self.entries.append(
                QueuedMessage(kind, self._compose(change, columns, raises, clears, True))
            )
            return False
        raises += last.message["raise_count"]
        clears += last.message["clear_count"]
        last.message = self._compose(change, columns, raises, clears, True)
        last.changed = True
        return False

    def put(self, kind: str, message: Message) -> None:
        """A message that replaces one of its kind which nobody has tried to deliver yet."""
        for entry in self.entries:
            if entry.kind == kind and not entry.attempts:
                entry.message = message
                entry.changed = True
                return
        self.entries.append(QueuedMessage(kind, message))

    def due(self, now_s: float, shelved: Collection[str]) -> Due:
        """The first message whose time has come."""
        wait_s: float | None = None
        for entry in self.entries:
            if entry.kind in shelved:
                continue
            left_s = self._quiet_from_s.get(entry.kind, now_s) - now_s if entry.summary else 0.0
            if left_s <= 0:
                return Due(entry, None)
            wait_s = left_s if wait_s is None else min(wait_s, left_s)
        return Due(None, wait_s)

    def done(self, entry: QueuedMessage, now_s: float) -> None:
        """It has been delivered, or is given up."""
        self.entries.remove(entry)
        self._quiet_from_s[entry.kind] = now_s + QUIET_S
