"""What each notifier has to deliver and what it has delivered: one row for both.

The change of an alarm or a fault inserts a row for each notifier of such changes (by a trigger, so
in one transaction), which waits there until the notifier ends it. A message covers the changes of
several rows, of which one remains, with the message: the record of its delivery. It is written
after each attempt, so a crash during a delivery repeats that one message, with the same id.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from logger.rows import Alarm, AlarmEvent, ChangeKind, Fault, FaultEvent
from logger.store.alarms import OPEN, select_alarms
from logger.store.database import Repository
from logger.store.faults import ACTIVE, Faults
from logger.store.tables import ALARM_CHANGES, FAULTS

MOST_FINISHED = 200  # finished messages stored for each notifier
ALARM, FAULT = "alarm", "fault"  # events whose changes a notifier reports

# Faults with the columns that are stored: the others cost a query each.
STORED_FAULTS = replace(
    FAULTS, columns=tuple(column for column in FAULTS.columns if column.sql.startswith("r."))
)
# Alarms added retrospectively cleared without a change of their own: nobody is to be notified.
RETROSPECTIVE = (
    "c.change = 'raised' AND r.cleared_ns IS NOT NULL AND NOT EXISTS"
    " (SELECT 1 FROM alarm_changes AS o WHERE o.alarm_id = r.id AND o.change = 'cleared')"
)
WAITING = "notifier = ? AND ended_ns IS NULL"


class Delivery(Struct, eq=False):
    """A message, of one change or of several.

    kind      the alarm's, or what else the message is about
    rows      ids of the stored rows that it covers
    changed   True if message and attempts are to be stored; changes alone are stored already
    ended_ns  when it was delivered, or given up because of `refusal`
    is_done   True once it does not wait any more
    """

    kind: str
    message: dict[str, Any]
    attempts: int = 0
    rows: list[int] = []
    changed: bool = False
    ended_ns: int | None = None
    refusal: str | None = None
    is_done: bool = False


class Waiting(NamedTuple):
    """What waits for a notifier: messages that have been attempted, and changes by id of the row.

    Without an event there is nothing to report: the alarm was added retrospectively.
    """

    attempted: list[Delivery]
    changes: dict[int, AlarmEvent | FaultEvent | None]


class DeliveryTotals(NamedTuple):
    """Totals of a notifier: messages waiting and given up recently; time of last delivery."""

    waiting: int
    given_up: int
    last_ns: int | None


class Deliveries(Repository):
    """Deliveries of notifiers. Methods raise StoreError."""

    def begin(self, name: str, event: str, now_ns: int) -> int:
        """Let a notifier report changes of alarms or faults; a new one starts at the present.

        Return the time of its last daily message.
        """
        # Deliveries in the last second before a power cut may be repeated, with the same id.
        self.database.execute("PRAGMA synchronous = NORMAL")
        self.database.limit_cache()
        row = self.database.query_row(
            "SELECT daily_ns FROM notifiers WHERE name = ? AND event = ?", (name, event)
        )
        if row is not None:
            return int(row[0])
        with self.database.transaction():
            self.database.execute(
                f"DELETE FROM deliveries WHERE {WAITING} AND message IS NULL AND event != ?",
                (name, event),
            )
            return int(
                self.database.query_value(
                    "INSERT INTO notifiers (name, event, daily_ns) VALUES (?, ?, ?)"
                    " ON CONFLICT (name) DO UPDATE SET event = excluded.event RETURNING daily_ns",
                    (name, event, now_ns),
                )
            )

    def waiting(self, name: str, event: str) -> Waiting:
        """Return what waits for a notifier, oldest first, in its present state."""
        rows = self.database.query(
            f"SELECT id, change_id, kind, message, attempts FROM deliveries WHERE {WAITING}"
            " ORDER BY id",
            (name,),
        )
        attempted = [
            Delivery(kind, _decode(message), attempts, [number])
            for number, _, kind, message, attempts in rows
            if message is not None
        ]
        numbers = {number: change for number, change, _, message, _ in rows if message is None}
        events: dict[int, AlarmEvent | FaultEvent] = {}
        if numbers:
            changes = f"c.id IN (SELECT change_id FROM deliveries WHERE {WAITING} AND event = ?)"
            if event == ALARM:
                events = self._alarm_events(f"{changes} AND NOT ({RETROSPECTIVE})", name, event)
            else:
                events = dict(Faults(self.database).events(changes, name, event))
        return Waiting(attempted, {row: events.get(change) for row, change in numbers.items()})

    def _alarm_events(self, where: str, *values: Any) -> dict[int, AlarmEvent | FaultEvent]:
        select = ALARM_CHANGES.select.replace("SELECT ", "SELECT c.change, ", 1)
        rows = self.database.query(f"{select} WHERE {where}", values)
        return {
            row[1]: AlarmEvent(ChangeKind(row[0]), Alarm(**ALARM_CHANGES.record(row[1:]).columns))
            for row in rows
        }

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

    def shelved(self, now_ns: int) -> frozenset[str]:
        """Return the kinds that are shelved now."""
        rows = self.database.query("SELECT kind FROM alarms WHERE shelved_until_ns > ?", (now_ns,))
        return frozenset(kind for (kind,) in rows)

    def finished(self, name: str, event: str) -> list[tuple[str, dict[str, Any], int]]:
        """Return kind, message and time of the latest finished messages of an event in order."""
        rows = self.database.query(
            "SELECT kind, message, ended_ns FROM deliveries WHERE notifier = ?"
            " AND ended_ns IS NOT NULL AND event = ? ORDER BY ended_ns, id",
            (name, event),
        )
        return [(kind, _decode(message), ended_ns) for kind, message, ended_ns in rows]

    def delete_attempted(self, name: str) -> None:
        """Delete the waiting messages of a notifier; changes without one stay."""
        self.database.execute(
            f"DELETE FROM deliveries WHERE {WAITING} AND message IS NOT NULL", (name,)
        )

    def save(
        self, name: str, daily_ns: int, deliveries: Sequence[Delivery], dropped: Sequence[int] = ()
    ) -> None:
        """Store deliveries of a notifier, one row each, and the time of its last daily message.

        The rows `dropped` have nothing to report and are deleted.
        """
        with self.database.transaction():
            self.database.execute(
                "UPDATE notifiers SET daily_ns = ?1 WHERE name = ?2 AND daily_ns != ?1",
                (daily_ns, name),
            )
            covered = [row for delivery in deliveries for row in sorted(delivery.rows)[:-1]]
            self.database.execute_many(
                "DELETE FROM deliveries WHERE id = ?", [(row,) for row in (*covered, *dropped)]
            )
            ids = [self._upsert(name, delivery) for delivery in deliveries]
            self.database.execute(
                "DELETE FROM deliveries WHERE notifier = ?1 AND ended_ns IS NOT NULL"
                " AND id <= (SELECT id FROM deliveries WHERE notifier = ?1"
                " AND ended_ns IS NOT NULL ORDER BY id DESC LIMIT 1 OFFSET ?2)",
                (name, MOST_FINISHED),
            )
        for delivery, number in zip(deliveries, ids, strict=True):
            delivery.rows, delivery.changed = [number], False

    def _upsert(self, name: str, delivery: Delivery) -> int:
        return int(
            self.database.query_value(
                "INSERT INTO deliveries"
                " (id, notifier, event, kind, message, attempts, ended_ns, refusal)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO UPDATE SET"
                " kind = excluded.kind, message = excluded.message, attempts = excluded.attempts,"
                " ended_ns = excluded.ended_ns, refusal = excluded.refusal RETURNING id",
                (
                    max(delivery.rows, default=None),
                    name,
                    delivery.message["event"],
                    delivery.kind,
                    msgspec.json.encode(delivery.message).decode(),
                    delivery.attempts,
                    delivery.ended_ns,
                    delivery.refusal,
                ),
            )
        )

    def totals(self, name: str) -> DeliveryTotals:
        """Return the totals of a notifier."""
        row = self.database.query_row(
            "SELECT count(*) FILTER (WHERE ended_ns IS NULL),"
            " count(*) FILTER (WHERE refusal IS NOT NULL),"
            " max(ended_ns) FILTER (WHERE refusal IS NULL) FROM deliveries WHERE notifier = ?",
            (name,),
        )
        return DeliveryTotals(*row)


def _decode(message: str) -> dict[str, Any]:
    return msgspec.json.decode(message, type=dict[str, Any])
