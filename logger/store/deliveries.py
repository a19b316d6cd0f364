"""The store as notifiers see it: alarm changes to be told, and messages that wait.

Alarm changes are the queue; they are only ever added to. A notifier remembers the last it has dealt
with, and keeps what it could not deliver at once as messages. Both are written together after each
attempt, so a crash in the middle of a delivery repeats that one message, under the same id.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import msgspec

from logger.store.database import Store
from logger.store.schema import transaction
from logger.store.tables import ALARM_CHANGES, ALARMS
from logger.utc import format_ns

PAGE = 500
KEPT = 200  # messages of each notifier that have been dealt with

# Alarms that were added in hindsight cleared without a change of their own: nobody is to be woken.
HINDSIGHT = (
    "c.change = 'raised' AND r.cleared_ns IS NOT NULL AND NOT EXISTS"
    " (SELECT 1 FROM alarm_changes AS o WHERE o.alarm_id = r.id AND o.change = 'cleared')"
)


class Progress(NamedTuple):
    """How far a notifier is: the last alarm change seen, the last daily message."""

    change_id: int
    daily_ns: int


class AlarmChange(NamedTuple):
    """A change of an alarm, with the alarm as it is exported by now."""

    id: int
    change: str
    columns: dict[str, Any]


class PendingMessage(NamedTuple):
    """A message that waits."""

    id: int
    kind: str
    message: dict[str, Any]
    attempts: int


class FinishedMessage(NamedTuple):
    """A message that is dealt with; `id` None if it never had to wait, `refusal` None if it was
    delivered."""

    id: int | None
    kind: str
    message: dict[str, Any]
    attempts: int
    ended_ns: int
    refusal: str | None


class DeliveryTotals(NamedTuple):
    """What is remembered of a notifier: messages waiting, given up of late, and the last one
    delivered."""

    waiting: int
    given_up: int
    last_ns: int | None

    def columns(self) -> dict[str, Any]:
        """As `mismatchd status` shows them."""
        return {
            "waiting": self.waiting,
            "given_up": self.given_up,
            "last_delivered_utc": None if self.last_ns is None else format_ns(self.last_ns),
        }


class Deliveries(Store):
    """Open with `Deliveries.reader`."""

    def begin(self, name: str, now_ns: int) -> Progress:
        """Where a notifier is; one that is new begins with what comes from now on."""
        # What the last second of a power cut takes with it is told twice, under the same id.
        self._connection.execute("PRAGMA synchronous = NORMAL")
        with self._errors(), transaction(self._connection):
            self._connection.execute(
                "INSERT OR IGNORE INTO notifiers (name, change_id, heartbeat_ns)"
                " VALUES (?, (SELECT coalesce(max(id), 0) FROM alarm_changes), ?)",
                (name, now_ns),
            )
        row = self._query_one(
            "SELECT change_id, heartbeat_ns FROM notifiers WHERE name = ?", (name,)
        )
        return Progress(*row)

    def changes_after(self, change_id: int) -> list[AlarmChange]:
        """The next alarm changes, some hundred at most; none of alarms added in hindsight."""
        rows = self._query(
            f"{ALARM_CHANGES.select.replace('SELECT ', 'SELECT c.change, ', 1)}"
            f" WHERE c.id > ? AND NOT ({HINDSIGHT}) ORDER BY c.id LIMIT {PAGE}",
            (change_id,),
        )
        return [AlarmChange(row[1], row[0], ALARM_CHANGES.record(row[1:]).columns) for row in rows]

    def open_rows(self) -> list[dict[str, Any]]:
        """Alarms that have not cleared, as they are exported, oldest first."""
        return [
            record.columns
            for record in self.select(ALARMS, "r.cleared_ns IS NULL ORDER BY r.raised_ns")
        ]

    def shelved(self, now_ns: int) -> frozenset[str]:
        """The kinds that are shelved now."""
        rows = self._query("SELECT kind FROM alarms WHERE shelved_until_ns > ?", (now_ns,))
        return frozenset(kind for (kind,) in rows)

    def kept(self, name: str) -> list[PendingMessage]:
        """The messages of a notifier that wait, oldest first."""
        rows = self._query(
            "SELECT id, kind, message, attempts FROM deliveries"
            " WHERE notifier = ? AND ended_ns IS NULL ORDER BY id",
            (name,),
        )
        return [
            PendingMessage(
                number, kind, msgspec.json.decode(message, type=dict[str, Any]), attempts
            )
            for number, kind, message, attempts in rows
        ]

    def forget(self, name: str) -> None:
        """Drop the messages of a notifier that wait. Raises StoreError."""
        with self._errors(), transaction(self._connection):
            self._connection.execute(
                "DELETE FROM deliveries WHERE notifier = ? AND ended_ns IS NULL", (name,)
            )

    def save(
        self,
        name: str,
        progress: Progress,
        waiting: Sequence[tuple[int | None, str, dict[str, Any], int]],
        ended: Sequence[FinishedMessage],
    ) -> list[int]:
        """Keep how far a notifier is, what waits now (id, kind, message, attempts) and what has
        been dealt with; the ids of what waits. Raises StoreError."""
        put = (
            "INSERT INTO deliveries (id, notifier, kind, message, attempts, ended_ns, refusal)"
            " VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO UPDATE SET"
            " message = excluded.message, attempts = excluded.attempts,"
            " ended_ns = excluded.ended_ns, refusal = excluded.refusal RETURNING id"
        )
        with self._errors(), transaction(self._connection):
            execute = self._connection.execute
            execute(
                "UPDATE notifiers SET change_id = ?, heartbeat_ns = ? WHERE name = ?",
                (*progress, name),
            )
            rows = [(*one, None, None) for one in waiting]
            ids = [
                int(execute(put, (number, name, kind, _text(message), *rest)).fetchone()[0])
                for number, kind, message, *rest in [*ended, *rows]
            ]
            if ended:
                execute(
                    "DELETE FROM deliveries WHERE notifier = ?1 AND ended_ns IS NOT NULL"
                    " AND id <= (SELECT id FROM deliveries WHERE notifier = ?1"
                    " AND ended_ns IS NOT NULL ORDER BY id DESC LIMIT 1 OFFSET ?2)",
                    (name, KEPT),
                )
            return ids[len(ended) :]

    def totals(self, name: str) -> DeliveryTotals:
        """What is stored of a notifier."""
        row = self._query_one(
            "SELECT count(*) FILTER (WHERE ended_ns IS NULL),"
            " count(*) FILTER (WHERE refusal IS NOT NULL),"
            " max(ended_ns) FILTER (WHERE refusal IS NULL) FROM deliveries WHERE notifier = ?",
            (name,),
        )
        return DeliveryTotals(*row)


def _text(message: dict[str, Any]) -> str:
    return msgspec.json.encode(message).decode()
