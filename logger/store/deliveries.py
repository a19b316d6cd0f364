"""The store as notifiers see it: alarm changes to be reported, and pending messages.

Alarm changes are the queue; rows are only ever inserted. A notifier records the last change that it
has handled, and stores messages that it could not deliver at once. Both are written together after
each attempt, so a crash during a delivery repeats that one message, with the same id.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import msgspec

from logger.rows import Alarm, AlarmEvent, ChangeKind
from logger.store.database import Store
from logger.store.schema import transaction
from logger.store.tables import ALARM_CHANGES

PAGE = 500
KEPT = 200  # finished messages kept for each notifier

# Alarms added retrospectively cleared without a change of their own: nobody is to be notified.
HINDSIGHT = (
    "c.change = 'raised' AND r.cleared_ns IS NOT NULL AND NOT EXISTS"
    " (SELECT 1 FROM alarm_changes AS o WHERE o.alarm_id = r.id AND o.change = 'cleared')"
)


class Progress(NamedTuple):
    """Progress of a notifier: the last alarm change handled, the time of the last daily message."""

    change_id: int
    daily_ns: int


class PendingMessage(NamedTuple):
    """A message that is waiting to be delivered."""

    id: int
    kind: str
    message: dict[str, Any]
    attempts: int


class FinishedMessage(NamedTuple):
    """A finished message; `id` is None if it was never stored, `refusal` if it was delivered."""

    id: int | None
    kind: str
    message: dict[str, Any]
    attempts: int
    ended_ns: int
    refusal: str | None


class DeliveryTotals(NamedTuple):
    """Totals of a notifier: messages waiting and given up recently; time of last delivery."""

    waiting: int
    given_up: int
    last_ns: int | None


class Deliveries(Store):
    """Open with `Deliveries.reader`."""

    def begin(self, name: str, now_ns: int) -> Progress:
        """Return the progress of a notifier; a new one starts at the present."""
        # Deliveries in the last second before a power cut may be repeated, with the same id.
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

    def events_after(self, change_id: int) -> list[tuple[int, AlarmEvent]]:
        """Return the next PAGE alarm changes at most, by id, without alarms added retrospectively.

        The alarms are in their present state.
        """
        rows = self._query(
            f"{ALARM_CHANGES.select.replace('SELECT ', 'SELECT c.change, ', 1)}"
            f" WHERE c.id > ? AND NOT ({HINDSIGHT}) ORDER BY c.id LIMIT {PAGE}",
            (change_id,),
        )
        return [
            (row[1], AlarmEvent(ChangeKind(row[0]), Alarm(**ALARM_CHANGES.record(row[1:]).columns)))
            for row in rows
        ]

    def shelved(self, now_ns: int) -> frozenset[str]:
        """Return the kinds that are shelved now."""
        rows = self._query("SELECT kind FROM alarms WHERE shelved_until_ns > ?", (now_ns,))
        return frozenset(kind for (kind,) in rows)

    def kept(self, name: str) -> list[PendingMessage]:
        """Return the waiting messages of a notifier, oldest first."""
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
        """Delete the waiting messages of a notifier. Raise StoreError."""
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
        """Store the progress of a notifier, its waiting messages and the finished ones.

        `waiting` holds (id, kind, message, attempts). Return the ids of the waiting messages. Raise
        StoreError.
        """
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
        """Return the totals of a notifier."""
        row = self._query_one(
            "SELECT count(*) FILTER (WHERE ended_ns IS NULL),"
            " count(*) FILTER (WHERE refusal IS NOT NULL),"
            " max(ended_ns) FILTER (WHERE refusal IS NULL) FROM deliveries WHERE notifier = ?",
            (name,),
        )
        return DeliveryTotals(*row)


def _text(message: dict[str, Any]) -> str:
    return msgspec.json.encode(message).decode()
