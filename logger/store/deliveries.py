"""The store as notifiers see it: changes of faults and alarms to be reported, pending messages.

The changes are the queue; rows are only ever inserted. A notifier records the last changes that it
has handled, and stores messages that it could not deliver at once. Both are written together after
each attempt, so a crash during a delivery repeats that one message, with the same id.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import msgspec

from logger.rows import Alarm, AlarmEvent, AlarmKind, ChangeKind, Fault
from logger.store.alarms import OPEN, select_alarms
from logger.store.database import Repository
from logger.store.faults import ACTIVE
from logger.store.tables import ALARM_CHANGES, FAULTS

PAGE_ROWS = 500
MOST_FINISHED = 200  # finished messages stored for each notifier

# Faults with the columns that are stored: the others cost a query each.
STORED_FAULTS = replace(
    FAULTS, columns=tuple(column for column in FAULTS.columns if column.sql.startswith("r."))
)
# Alarms added retrospectively cleared without a change of their own: nobody is to be notified.
RETROSPECTIVE = (
    "c.change = 'raised' AND r.cleared_ns IS NOT NULL AND NOT EXISTS"
    " (SELECT 1 FROM alarm_changes AS o WHERE o.alarm_id = r.id AND o.change = 'cleared')"
)


class Progress(NamedTuple):
    """Progress of a notifier: the last changes handled, the time of the last daily message."""

    change_id: int  # of alarms
    daily_ns: int
    fault_change_id: int = 0


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


class Deliveries(Repository):
    """Progress and messages of notifiers. Methods raise StoreError."""

    def begin(self, name: str, now_ns: int) -> Progress:
        """Return the progress of a notifier; a new one starts at the present."""
        # Deliveries in the last second before a power cut may be repeated, with the same id.
        self.database.execute("PRAGMA synchronous = NORMAL")
        self.database.execute(
            "INSERT OR IGNORE INTO notifiers (name, change_id, heartbeat_ns, fault_change_id)"
            " VALUES (?, (SELECT coalesce(max(id), 0) FROM alarm_changes), ?,"
            " (SELECT coalesce(max(id), 0) FROM fault_changes))",
            (name, now_ns),
        )
        row = self.database.query_row(
            "SELECT change_id, heartbeat_ns, fault_change_id FROM notifiers WHERE name = ?", (name,)
        )
        return Progress(*row)

    def events_after(self, change_id: int) -> list[tuple[int, AlarmEvent]]:
        """Return the next PAGE_ROWS alarm changes at most, by id, except retrospective alarms.

        The alarms are in their present state.
        """
        rows = self.database.query(
            f"{ALARM_CHANGES.select.replace('SELECT ', 'SELECT c.change, ', 1)}"
            f" WHERE c.id > ? AND NOT ({RETROSPECTIVE}) ORDER BY c.id LIMIT {PAGE_ROWS}",
            (change_id,),
        )
        return [
            (row[1], AlarmEvent(ChangeKind(row[0]), Alarm(**ALARM_CHANGES.record(row[1:]).columns)))
            for row in rows
        ]

    def open_alarms(self) -> list[Alarm]:
        """Return the alarms that have not cleared, oldest first."""
        return select_alarms(self.database, OPEN)

    def open_faults(self) -> list[Fault]:
        """Return the faults that are not closed, oldest first, without counts of their signs."""
        rows = self.database.query(f"{STORED_FAULTS.select} WHERE {ACTIVE} ORDER BY r.opened_ns")
        return [Fault(**STORED_FAULTS.record(row).columns) for row in rows]

    def kinds(self, fault_id: int | None) -> frozenset[str]:
        """Return the kinds of the alarms of a fault."""
        rows = self.database.query(
            "SELECT DISTINCT kind FROM alarms WHERE fault_id = ?", (fault_id,)
        )
        return frozenset(kind for (kind,) in rows)

    def joins_late(self, alarm: Alarm, kinds: Sequence[AlarmKind]) -> bool:
        """True if it is the first alarm of these kinds of its fault, which another one opened."""
        marks = ", ".join("?" * len(kinds))
        row = self.database.query_row(
            "SELECT min(a.id), min(a.raised_ns) > f.opened_ns FROM alarms AS a JOIN faults AS f"
            f" ON f.id = a.fault_id WHERE f.id = ? AND a.kind IN ({marks})",
            (alarm.fault_id, *kinds),
        )
        return bool(row[0] == alarm.id and row[1])

    def shelved(self, now_ns: int) -> frozenset[str]:
        """Return the kinds that are shelved now."""
        rows = self.database.query("SELECT kind FROM alarms WHERE shelved_until_ns > ?", (now_ns,))
        return frozenset(kind for (kind,) in rows)

    def waiting(self, name: str) -> list[PendingMessage]:
        """Return the waiting messages of a notifier, oldest first."""
        rows = self.database.query(
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

    def finished(self, name: str, event: str) -> list[tuple[str, dict[str, Any], int]]:
        """Return kind, message and time of the latest finished messages of an event in order."""
        rows = self.database.query(
            "SELECT kind, message, ended_ns FROM deliveries WHERE notifier = ?"
            " AND ended_ns IS NOT NULL AND json_extract(message, '$.event') = ?"
            " ORDER BY ended_ns, id",
            (name, event),
        )
        return [
            (kind, msgspec.json.decode(message, type=dict[str, Any]), ended_ns)
            for kind, message, ended_ns in rows
        ]

    def delete_waiting(self, name: str) -> None:
        """Delete the waiting messages of a notifier."""
        self.database.execute(
            "DELETE FROM deliveries WHERE notifier = ? AND ended_ns IS NULL", (name,)
        )

    def save(
        self,
        name: str,
        progress: Progress,
        waiting: Sequence[tuple[int | None, str, dict[str, Any], int]],
        ended: Sequence[FinishedMessage],
        dropped: Sequence[int] = (),
    ) -> list[int]:
        """Store the progress of a notifier, its waiting messages and the finished ones.

        Those with the ids `dropped` are deleted. `waiting` holds (id, kind, message, attempts).
        Return the ids of the waiting messages.
        """
        upsert = (
            "INSERT INTO deliveries (id, notifier, kind, message, attempts, ended_ns, refusal)"
            " VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO UPDATE SET"
            " message = excluded.message, attempts = excluded.attempts,"
            " ended_ns = excluded.ended_ns, refusal = excluded.refusal RETURNING id"
        )
        database = self.database
        with database.transaction():
            database.execute(
                "UPDATE notifiers SET change_id = ?, heartbeat_ns = ?, fault_change_id = ?"
                " WHERE name = ?",
                (*progress, name),
            )
            database.execute_many(
                "DELETE FROM deliveries WHERE id = ?", [(number,) for number in dropped]
            )
            rows = [*ended, *((*message, None, None) for message in waiting)]
            ids = [
                int(database.query_value(upsert, (number, name, kind, _text(message), *rest)))
                for number, kind, message, *rest in rows
            ]
            if ended:
                database.execute(
                    "DELETE FROM deliveries WHERE notifier = ?1 AND ended_ns IS NOT NULL"
                    " AND id <= (SELECT id FROM deliveries WHERE notifier = ?1"
                    " AND ended_ns IS NOT NULL ORDER BY id DESC LIMIT 1 OFFSET ?2)",
                    (name, MOST_FINISHED),
                )
            return ids[len(ended) :]

    def totals(self, name: str) -> DeliveryTotals:
        """Return the totals of a notifier."""
        row = self.database.query_row(
            "SELECT count(*) FILTER (WHERE ended_ns IS NULL),"
            " count(*) FILTER (WHERE refusal IS NOT NULL),"
            " max(ended_ns) FILTER (WHERE refusal IS NULL) FROM deliveries WHERE notifier = ?",
            (name,),
        )
        return DeliveryTotals(*row)


def _text(message: dict[str, Any]) -> str:
    return msgspec.json.encode(message).decode()
