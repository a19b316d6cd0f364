"""Stored faults: opened and changed by the tracker, explained by the diagnosis, acknowledged.

The changes of faults are a queue that only grows, as those of alarms.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import msgspec

from logger.errors import UsageError
from logger.rows import (
    CORRECTED,
    AlarmEvent,
    AlarmKind,
    Excursion,
    Fault,
    FaultChange,
    FaultChangeKind,
    FaultEvent,
    FaultFamily,
    FaultState,
    Severity,
    family_of,
)
from logger.store.alarms import WAITING as WAITING_ALARM
from logger.store.alarms import Alarms
from logger.store.database import Database, Repository
from logger.store.tables import FAULT_CHANGES, FAULTS, HAS_OPEN_ALARM
from logger.utc import format_ns, parse_time

ACTIVE = f"r.state != '{FaultState.CLOSED}'"
STATES = {
    FaultChangeKind.OPENED: FaultState.OPEN,
    FaultChangeKind.RETURNED: FaultState.OPEN,
    FaultChangeKind.QUIET: FaultState.QUIET,
    FaultChangeKind.REPAIRED: FaultState.VERIFYING,
    FaultChangeKind.CLOSED: FaultState.CLOSED,
}  # after a change; the others leave it
# An explanation by the diagnosis.
BY_DIAGNOSIS = f"(change = '{FaultChangeKind.EXPLAINED}' AND summary NOT LIKE '{CORRECTED}%')"
# A person who has seen the fault has not seen this.
RENEWED = (FaultChangeKind.OPENED, FaultChangeKind.WORSENED, FaultChangeKind.RETURNED)


class FaultChangeRow(NamedTuple):
    """A stored change: its id, and the event."""

    id: int
    event: FaultEvent


class Signs(NamedTuple):
    """What there is to diagnose of a fault: it changes with each sign.

    While an alarm is open, each ended transmission is a sign: `transmission_id` is the latest then.
    """

    severity: Severity
    alarms: int
    excursions: int
    transmission_id: int | None


class Headline(NamedTuple):
    """What a line about a fault needs, read without its signs."""

    id: int
    state: FaultState
    severity: Severity
    opened_ns: int
    summary: str


class Faults(Repository):
    """Faults and their changes. Methods raise StoreError, and UsageError if there is no fault."""

    def active(self) -> list[Fault]:
        """Return the faults that are not closed, the oldest first."""
        return select_faults(self.database, f"{ACTIVE} ORDER BY r.opened_ns")

    def open_signs(self) -> dict[int, Signs]:
        """Return the signs of the faults in the state `open`, by id, the oldest first."""
        columns = {column.name: column.sql for column in FAULTS.columns}
        rows = self.database.query(
            f"SELECT r.id, r.severity, {columns['alarms']}, {columns['excursions']},"
            f" CASE WHEN {HAS_OPEN_ALARM} THEN (SELECT max(id) FROM transmissions WHERE ended) END"
            f" FROM faults AS r WHERE {ACTIVE} AND r.state = '{FaultState.OPEN}'"
            " ORDER BY r.opened_ns"
        )
        return {
            fault_id: Signs(Severity(severity), *numbers) for fault_id, severity, *numbers in rows
        }

    def count_open(self) -> dict[tuple[FaultFamily, Severity], int]:
        """Return the number of faults in the state `open` by family and severity."""
        rows = self.database.query(
            "SELECT family, severity, count(*) FROM faults AS r"
            f" WHERE {ACTIVE} AND state = '{FaultState.OPEN}' GROUP BY family, severity"
        )
        return {(FaultFamily(family), Severity(word)): number for family, word, number in rows}

    def active_at(self, time_ns: int) -> list[Fault]:
        """Return the faults that were not closed at a time, as they were then, the oldest first."""
        faults = self.select(
            "r.opened_ns <= ?1 AND (r.closed_ns IS NULL OR r.closed_ns > ?1) ORDER BY r.opened_ns",
            time_ns,
        )
        return [self._as_of(fault, format_ns(time_ns)) for fault in faults]

    def _as_of(self, fault: Fault, utc: str) -> Fault:
        assert fault.id is not None
        changes = self.changes(fault.id)
        past = [event for event in changes if event.utc <= utc]
        if len(past) == len(changes):
            return fault
        state = next(STATES[event.change] for event in past[::-1] if event.change in STATES)
        acknowledged = fault.acknowledged_utc
        return msgspec.structs.replace(
            fault,
            state=state,
            summary=past[-1].fault.summary,
            acknowledged_utc=None if (acknowledged or utc) > utc else acknowledged,
            closed_utc=None,
        )

    def headlines(self) -> list[Headline]:
        """Return the faults that are not closed in short, those that are open first."""
        rows = self.database.query(
            "SELECT id, state, severity, opened_ns, summary FROM faults AS r"
            f" WHERE {ACTIVE} ORDER BY state != '{FaultState.OPEN}', opened_ns"
        )
        return [
            Headline(fault_id, FaultState(state), Severity(severity), *rest)
            for fault_id, state, severity, *rest in rows
        ]

    def select(self, where: str, *values: Any) -> list[Fault]:
        """Return faults by a condition over `r`."""
        return select_faults(self.database, where, *values)

    def fault(self, fault_id: int) -> Fault:
        """Return a fault by its id."""
        faults = self.select("r.id = ?", fault_id)
        if not faults:
            raise UsageError(f"there is no fault {fault_id}; `mismatchd faults --all` lists them")
        return faults[0]

    def family(self, fault_id: int) -> FaultFamily:
        """Return the family of a fault that exists."""
        value = self.database.query_value("SELECT family FROM faults WHERE id = ?", (fault_id,))
        return FaultFamily(value)

    def first_sign_ns(self, fault_id: int) -> int:
        """Return the time of the first sign of a fault that exists."""
        return int(
            self.database.query_value(
                "SELECT min(opened_ns, (SELECT coalesce(min(time_ns), opened_ns)"
                " FROM excursions WHERE fault_id = r.id)) FROM faults AS r WHERE id = ?",
                (fault_id,),
            )
        )

    def changes(self, fault_id: int) -> list[FaultEvent]:
        """Return the changes of a fault in order of time, each with its summary of that moment."""
        return [
            row.event for row in self.events("c.fault_id = ? ORDER BY c.time_ns, c.id", fault_id)
        ]

    def last_change_id(self) -> int:
        """Return the id of the latest change, 0 if there is none."""
        return int(self.database.query_value("SELECT coalesce(max(id), 0) FROM fault_changes"))

    def figures(self, fault_id: int) -> str:
        """Return the summary of the latest change of a fault that exists, explanations aside."""
        return str(
            self.database.query_value(
                f"SELECT summary FROM fault_changes WHERE fault_id = ? AND NOT {BY_DIAGNOSIS}"
                " ORDER BY time_ns DESC, id DESC LIMIT 1",
                (fault_id,),
            )
        )

    def explained_cause(self, fault_id: int) -> str | None:
        """Return the probable cause of a fault if it has been reported, else None."""
        cause = self.fault(fault_id).probable_cause
        is_reported = self.database.query_row(
            f"SELECT 1 FROM fault_changes WHERE fault_id = ? AND {BY_DIAGNOSIS}", (fault_id,)
        )
        return cause if is_reported else None

    def latest_ns(self, fault_id: int) -> int:
        """Return the time up to which the signs of a fault are known.

        It is the end of the latest transmission, or that of the last sign if that is later.
        """
        last_sign_ns = parse_time(self.fault(fault_id).last_sign_utc or "", 0)
        transmissions = self.database.query(
            "SELECT end_ns FROM transmissions ORDER BY start_ns DESC LIMIT 1"
        )
        return max([last_sign_ns, *(int(end_ns) for (end_ns,) in transmissions)])

    def explanations(self, after: int, up_to: int) -> list[FaultEvent]:
        """Return the explanations among the changes (after, up_to]."""
        rows = self.events(
            f"c.id > ? AND c.id <= ? AND c.change = '{FaultChangeKind.EXPLAINED}' ORDER BY c.id",
            after,
            up_to,
        )
        return [row.event for row in rows]

    def events(self, where: str, *values: Any) -> list[FaultChangeRow]:
        """Return changes by a condition over `c`.

        The faults are in their present state, with the summary of the change.
        """
        select = FAULT_CHANGES.select.removeprefix("SELECT ")
        rows = self.database.query(
            f"SELECT c.change, c.time_ns, c.summary, {select} WHERE {where}", values
        )
        changes = []
        for change, time_ns, summary, *row in rows:
            columns = FAULT_CHANGES.record(tuple(row)).columns | {"summary": summary}
            event = FaultEvent(FaultChangeKind(change), Fault(**columns), format_ns(time_ns))
            changes.append(FaultChangeRow(row[0], event))
        return changes

    def acknowledge(self, fault_id: int, time_ns: int) -> tuple[Fault, list[AlarmEvent]]:
        """Mark a fault and its alarms as acknowledged; return it, and the changes of its alarms.

        Raise UsageError also if it was acknowledged already.
        """
        database = self.database
        with database.transaction():
            fault = self.fault(fault_id)
            if fault.acknowledged_utc is not None:
                raise UsageError(f"fault {fault_id} has been acknowledged already")
            database.execute(
                "UPDATE faults SET acknowledged_ns = ? WHERE id = ?",
                (max(time_ns, fault.opened_ns), fault_id),
            )
            alarm_ids = database.query(
                "SELECT id FROM alarms AS r WHERE fault_id = ? AND acknowledged_ns IS NULL"
                f" AND {WAITING_ALARM} ORDER BY raised_ns",
                (fault_id,),
            )
            alarms = Alarms(database)
            events = [alarms.acknowledge(alarm_id, time_ns) for (alarm_id,) in alarm_ids]
            return self.fault(fault_id), events

    def explain(
        self,
        fault_id: int,
        cause: str | None,
        probability: float | None,
        summary: str,
        time_ns: int,
        *,
        is_clear: bool = True,
    ) -> FaultEvent | None:
        """Set the probable cause of a fault and what is known of it.

        With `is_clear`, the change `explained` is inserted and returned the first time, and when
        the cause is another one than before.
        """
        database = self.database
        with database.transaction():
            is_reported = self.explained_cause(fault_id) == cause
            database.execute(
                "UPDATE faults SET probable_cause = ?1, probability = ?2, summary = ?3"
                " WHERE id = ?4 AND (probable_cause, probability, summary) IS NOT (?1, ?2, ?3)",
                (cause, probability, summary, fault_id),
            )
            if not is_clear or is_reported:
                return None
            change_id = insert_change(
                database, fault_id, FaultChangeKind.EXPLAINED, time_ns, summary
            )
            return event_of(database, change_id)


def select_faults(database: Database, where: str, *values: Any) -> list[Fault]:
    """Return faults by a condition over `r`."""
    rows = database.query(f"{FAULTS.select} WHERE {where}", values)
    return [Fault(**FAULTS.record(row).columns) for row in rows]


def event_of(database: Database, change_id: int) -> FaultEvent:
    """Return the event of a stored change."""
    return Faults(database).events("c.id = ?", change_id)[0].event


def apply_change(database: Database, row: FaultChange) -> int | None:
    """Store a change of a fault; return the id of the change, None if it was stored already."""
    fault_id = upsert(database, row)
    is_stored = database.query_row(
        "SELECT 1 FROM fault_changes WHERE fault_id = ? AND change = ? AND time_ns = ?",
        (fault_id, row.change, row.time_ns),
    )
    if is_stored:
        return None
    if row.change in RENEWED:
        database.execute("UPDATE faults SET acknowledged_ns = NULL WHERE id = ?", (fault_id,))
    return insert_change(database, fault_id, row.change, row.time_ns, row.summary)


def upsert(database: Database, row: FaultChange) -> int:
    """Store the state of a fault after a change, and its early signs; return its id."""
    closed_ns = row.time_ns if row.state == FaultState.CLOSED else None
    fault_id = int(
        database.query_value(
            "INSERT INTO faults (opened_ns, first_ns, family, state, severity, closed_ns, summary,"
            " journal_id) VALUES (?, ?, ?, ?, ?, ?, ?,"
            " (SELECT id FROM journal WHERE time_ns = ? ORDER BY id DESC LIMIT 1))"
            " ON CONFLICT (opened_ns) DO UPDATE SET first_ns = excluded.first_ns,"
            " family = excluded.family, state = excluded.state, severity = excluded.severity,"
            " closed_ns = excluded.closed_ns, summary = excluded.summary,"
            " journal_id = coalesce(excluded.journal_id, journal_id) RETURNING id",
            (
                row.opened_ns,
                row.first_ns,
                row.family,
                row.state,
                row.severity,
                closed_ns,
                row.summary,
                row.work_ns,
            ),
        )
    )
    if row.change == FaultChangeKind.OPENED:
        kinds = [kind for kind in AlarmKind if family_of(kind) == row.family]
        places = ", ".join("?" * len(kinds))
        values = (fault_id, row.first_ns, row.opened_ns)
        database.execute(
            "UPDATE alarms SET fault_id = ?1 WHERE fault_id IS NULL"
            f" AND raised_ns >= ?2 AND raised_ns <= ?3 AND kind IN ({places})",
            (*values, *kinds),
        )
        if row.family == FaultFamily.FEEDLINE:
            database.execute(
                "UPDATE excursions SET fault_id = ?"
                " WHERE fault_id IS NULL AND time_ns >= ? AND time_ns <= ?",
                values,
            )
    return fault_id


def fault_of(database: Database, row: Excursion) -> int | None:
    """Return the id of the fault of an excursion: the one it names, or one that it came before."""
    if row.fault_ns is not None:
        where, values = "opened_ns = ?", (row.fault_ns,)
    else:
        where = f"first_ns <= ?1 AND opened_ns >= ?1 AND family = '{FaultFamily.FEEDLINE}'"
        values = (row.time_ns,)
    found = database.query_row(
        f"SELECT id FROM faults WHERE {where} ORDER BY opened_ns LIMIT 1", values
    )
    return None if found is None else int(found[0])


def insert_change(
    database: Database, fault_id: int, change: FaultChangeKind, time_ns: int, summary: str
) -> int:
    """Insert a change; return its id."""
    return int(
        database.query_value(
            "INSERT INTO fault_changes (fault_id, change, time_ns, summary)"
            " VALUES (?, ?, ?, ?) RETURNING id",
            (fault_id, change, time_ns, summary),
        )
    )
