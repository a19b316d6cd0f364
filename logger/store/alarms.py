"""Stored alarms: raised and cleared by rules, acknowledged and shelved by the user."""

from __future__ import annotations

from typing import Any

from logger.errors import UsageError
from logger.rows import Alarm, AlarmChange, AlarmEvent, ChangeKind
from logger.store import captures
from logger.store.database import Database, Repository
from logger.store.tables import ALARMS

OPEN = "r.cleared_ns IS NULL ORDER BY r.raised_ns"
WAITING = "(r.cleared_ns IS NULL OR r.acknowledged_ns IS NULL)"  # alarms that need attention


class Alarms(Repository):
    """Alarms and their changes. Methods raise StoreError, and UsageError if there is no alarm."""

    def acknowledge(self, alarm_id: int, time_ns: int) -> AlarmEvent:
        """Mark an alarm as acknowledged. Raise UsageError also if it was already."""
        with self.database.transaction():
            _, acknowledged_ns, raised_ns = self._select(alarm_id)
            if acknowledged_ns is not None:
                raise UsageError(f"alarm {alarm_id} has been acknowledged already")
            time_ns = max(time_ns, raised_ns)  # the wall clock may be behind the rows' times
            self.database.execute(
                "UPDATE alarms SET acknowledged_ns = ? WHERE id = ?", (time_ns, alarm_id)
            )
            return _insert_change(self.database, alarm_id, ChangeKind.ACKNOWLEDGED, time_ns)

    def shelve(self, alarm_id: int, until_ns: int, now_ns: int) -> str:
        """Shelve the kind of this alarm until a time, so that it is not reported; return the kind.

        Raise UsageError also if the time has passed.
        """
        if until_ns <= now_ns:
            raise UsageError("the given end time has passed; give a later one")
        return self._update_shelf(alarm_id, until_ns)

    def unshelve(self, alarm_id: int) -> str:
        """Report alarms of the kind of this one again; return the kind."""
        return self._update_shelf(alarm_id, None)

    def _update_shelf(self, alarm_id: int, until_ns: int | None) -> str:
        with self.database.transaction():
            kind = self._select(alarm_id)[0]
            # The latest request applies, whichever alarm of the kind it named.
            self.database.execute(
                "UPDATE alarms SET shelved_until_ns = NULL"
                " WHERE shelved_until_ns IS NOT NULL AND kind = ?",
                (kind,),
            )
            self.database.execute(
                "UPDATE alarms SET shelved_until_ns = ? WHERE id = ?", (until_ns, alarm_id)
            )
        return kind

    def _select(self, alarm_id: int) -> tuple[str, int | None, int]:
        row: tuple[str, int | None, int] | None = self.database.query_row(
            "SELECT kind, acknowledged_ns, raised_ns FROM alarms WHERE id = ?", (alarm_id,)
        )
        if row is None:
            raise UsageError(f"there is no alarm {alarm_id}; `mismatchd alarms` lists them")
        return row

    def shelved_until(self, now_ns: int) -> dict[str, int]:
        """Return the end of shelving of each shelved kind, UTC nanoseconds."""
        rows = self.database.query(
            "SELECT kind, shelved_until_ns FROM alarms WHERE shelved_until_ns > ?", (now_ns,)
        )
        return dict(rows)

    def raises(self) -> dict[str, int]:
        """Return how often each kind has been raised in all."""
        return dict(self.database.query("SELECT kind, count(*) FROM alarms GROUP BY kind"))


def select_alarms(database: Database, where: str, *values: Any) -> list[Alarm]:
    """Return alarms by a condition over `r`."""
    rows = database.query(f"{ALARMS.select} WHERE {where}", values)
    return [Alarm(**ALARMS.record(row).columns) for row in rows]


def apply_change(database: Database, row: AlarmChange) -> list[AlarmEvent]:
    """Store a rule's change of an alarm and return it; nothing if it is stored already."""
    if row.change == ChangeKind.RAISED:
        alarm_ids = _raise(database, row)
    else:
        alarm_ids = database.query(
            "UPDATE alarms SET cleared_ns = ?, flags = flags | ?"
            " WHERE id = (SELECT id FROM alarms"
            " WHERE kind = ? AND cleared_ns IS NULL AND raised_ns <= ?"
            " ORDER BY raised_ns DESC LIMIT 1) RETURNING id",
            (row.time_ns, row.flags, row.kind, row.time_ns),
        )
    return [
        _insert_change(database, alarm_id, row.change, row.time_ns) for (alarm_id,) in alarm_ids
    ]


def _raise(database: Database, row: AlarmChange) -> list[tuple[int]]:
    # needs numpy, which lists of alarms do without
    from logger.store.statements import WATT_DECIMALS, round_figures

    alarm_ids = database.query(
        "INSERT OR IGNORE INTO alarms"
        ' (kind, severity, raised_ns, value, "limit", transmission_id, detail, flags, fault_id)'
        " VALUES (?, ?, ?, ?, ?, (SELECT id FROM transmissions WHERE start_ns = ?), ?, ?,"
        " (SELECT id FROM faults WHERE opened_ns = ?))"
        " RETURNING id",
        (
            row.kind,
            row.severity,
            row.time_ns,
            *round_figures([row.value, row.limit], WATT_DECIMALS).tolist(),
            row.start_ns,
            row.detail,
            row.flags,
            row.fault_ns,
        ),
    )
    database.execute(
        "UPDATE alarms SET capture_id = ? WHERE kind = ? AND raised_ns = ? AND capture_id IS NULL",
        (captures.around(database, row.time_ns, row.time_ns), row.kind, row.time_ns),
    )
    return alarm_ids


def _insert_change(
    database: Database, alarm_id: int, change: ChangeKind, time_ns: int
) -> AlarmEvent:
    database.execute(
        "INSERT INTO alarm_changes (alarm_id, change, time_ns) VALUES (?, ?, ?)",
        (alarm_id, change, time_ns),
    )
    return AlarmEvent(change, select_alarms(database, "r.id = ?", alarm_id)[0])
