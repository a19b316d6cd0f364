"""Groups stored alarms and excursions into faults again, by the same tracker as live rows.

Needed for a store of an older version, after rows were derived again, and where a damaged store
lost the memory of its faults. Faults that are found again, also if with an earlier alarm, keep
their id, acknowledgement and explanation. Nobody is notified of changes of the past.
"""

from __future__ import annotations

import heapq
from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import groupby, islice
from operator import itemgetter

import msgspec
import numpy as np

from logger.config.load import FaultsOptions
from logger.faults import KIND, FaultTracker
from logger.faults.memory import TrackerMemory
from logger.rows import (
    SECOND_FIGURES,
    AlarmChange,
    AlarmKind,
    ChangeKind,
    Excursion,
    FaultChange,
    FaultChangeKind,
    Row,
    SecondRows,
    Severity,
    Transmission,
    WeatherRow,
)
from logger.store import faults
from logger.store.database import Database
from logger.store.reader import Store
from logger.store.statements import TRANSMISSION, UPSERT_MEMORY

BATCH_ROWS = 1000
Timed = tuple[int, int, Row]  # time, order at the same time


def is_grouped(store: Store) -> bool:
    """True if the faults in the store are those of the tracker's memory, so that it can go on."""
    database = store.database
    content = store.memories().get(KIND)
    if content is None:
        return database.query_row("SELECT 1 FROM alarms LIMIT 1") is None
    try:
        memory = msgspec.json.decode(content, type=TrackerMemory)
    except msgspec.DecodeError:
        return False
    active = database.query(f"SELECT opened_ns FROM faults AS r WHERE {faults.ACTIVE}")
    return {opened_ns for (opened_ns,) in active} == {fault.opened_ns for fault in memory.faults}


def regroup(store: Store, options: FaultsOptions) -> int:
    """Derive all faults again from the stored rows, all or nothing; return their number."""
    database = store.database
    tracker = FaultTracker(options)
    tracker.know_work(store.work())
    tracker.know_checks(store.checks())
    changes: list[tuple[int, FaultChange]] = []
    former: dict[int, list[int]] = {}  # alarms by fault
    for fault_id, alarm_id in database.query(
        "SELECT fault_id, id FROM alarms WHERE fault_id IS NOT NULL ORDER BY fault_id, raised_ns"
    ):
        former.setdefault(fault_id, []).append(alarm_id)
    with database.transaction():
        last = database.query_value("SELECT coalesce(max(id), 0) FROM deliveries")
        for table in ("alarms", "excursions"):
            database.execute(f"UPDATE {table} SET fault_id = NULL WHERE fault_id IS NOT NULL")
        rows = heapq.merge(
            _alarms(database),
            _excursions(database),
            _seconds(database),
            _transmissions(database),
            _winds(database),
        )
        while batch := list(islice(rows, BATCH_ROWS)):
            for row in tracker.update([row for _, _, row in batch], batch[-1][0]):
                if isinstance(row, FaultChange):
                    changes.append((faults.upsert(database, row), row))
                elif isinstance(row, AlarmChange | Excursion):
                    _assign(database, row)
        adopted = _keep_ids(database, former, {fault_id for fault_id, _ in changes})
        changes = [(adopted.get(fault_id, fault_id), row) for fault_id, row in changes]
        _renew_changes(database, changes)
        database.execute(UPSERT_MEMORY, (KIND, msgspec.json.encode(tracker.memory)))
        database.execute("DELETE FROM deliveries WHERE id > ?", (last,))
    return len({fault_id for fault_id, _ in changes})


def _alarms(database: Database) -> Iterator[Timed]:
    fields = 'kind, severity, raised_ns, cleared_ns, value, "limit", detail, t.start_ns'
    rows = database.query(
        f"SELECT {fields} FROM alarms AS r LEFT JOIN transmissions AS t ON t.id = r.transmission_id"
    )
    changes = []
    for number, (
        kind,
        severity,
        raised_ns,
        cleared_ns,
        value,
        limit,
        detail,
        start_ns,
    ) in enumerate(rows):
        raised = AlarmChange(
            kind=AlarmKind(kind),
            change=ChangeKind.RAISED,
            time_ns=raised_ns,
            severity=Severity(severity),
            value=value,
            limit=limit,
            start_ns=start_ns,
            detail=detail,
        )
        changes.append((raised_ns, 5 * number, raised))
        if cleared_ns is not None:
            cleared = msgspec.structs.replace(
                raised, change=ChangeKind.CLEARED, time_ns=cleared_ns, detail=""
            )
            changes.append((cleared_ns, 5 * number, cleared))
    return iter(sorted(changes))


def _excursions(database: Database) -> Iterator[Timed]:
    rows = database.query(
        "SELECT time_ns, duration_ms, swr_peak, swr_beside FROM excursions ORDER BY time_ns"
    )
    for number, (time_ns, duration_ms, swr_peak, swr_beside) in enumerate(rows):
        row = Excursion(
            time_ns=time_ns, duration_ms=duration_ms, swr_peak=swr_peak, swr_beside=swr_beside
        )
        yield time_ns, 5 * number + 1, row


def _seconds(database: Database) -> Iterator[Timed]:
    """Yield those of a transmission at once, at the time of the last."""
    names = ", ".join(f"s.{name}" for name in ("time_ns", "samples", "flags", *SECOND_FIGURES))
    rows = database.stream(
        f"SELECT t.start_ns, {names} FROM seconds AS s JOIN transmissions AS t"
        " ON t.id = s.transmission_id WHERE s.swr IS NOT NULL ORDER BY s.time_ns"
    )
    for number, (start_ns, lines) in enumerate(groupby(rows, itemgetter(0))):
        columns = list(zip(*lines, strict=True))
        times, samples, flags = (np.array(column) for column in columns[1:4])
        figures = np.array(columns[4:], dtype=np.float64)  # NaN for None
        seconds = SecondRows(start_ns, times, samples, flags, figures)
        yield int(times[-1]), 5 * number + 2, seconds


def _transmissions(database: Database) -> Iterator[Timed]:
    names = TRANSMISSION.names
    rows = database.stream(
        f"SELECT {', '.join(names)} FROM transmissions WHERE ended ORDER BY start_ns"
    )
    for number, values in enumerate(rows):
        row = Transmission(**dict(zip(names, values, strict=True)))
        yield row.end_ns, 5 * number + 3, row


def _winds(database: Database) -> Iterator[Timed]:
    rows = database.query(
        "SELECT time_ns, wind_m_s FROM weather WHERE wind_m_s IS NOT NULL ORDER BY time_ns"
    )
    for number, (time_ns, wind_m_s) in enumerate(rows):
        yield time_ns, 5 * number + 4, WeatherRow(time_ns=time_ns, wind_m_s=wind_m_s)


def _assign(database: Database, row: AlarmChange | Excursion) -> None:
    if row.fault_ns is None:
        return  # an early excursion is assigned as its fault opens
    fault = "(SELECT id FROM faults WHERE opened_ns = ?)"
    if isinstance(row, Excursion):
        database.execute(
            f"UPDATE excursions SET fault_id = {fault} WHERE time_ns = ?",
            (row.fault_ns, row.time_ns),
        )
    elif row.change == ChangeKind.RAISED:
        database.execute(
            f"UPDATE alarms SET fault_id = {fault} WHERE kind = ? AND raised_ns = ?",
            (row.fault_ns, row.kind, row.time_ns),
        )


def _keep_ids(
    database: Database, former: Mapping[int, Sequence[int]], fault_ids: Collection[int]
) -> dict[int, int]:
    """Give new faults the ids of those that had their alarms before; return new ids to old ones.

    former     ids of the alarms of each fault before, the first alarm first
    fault_ids  the derived faults
    """
    adopted: dict[int, int] = {}
    for old_id, alarm_ids in former.items():
        if old_id in fault_ids:
            continue
        rows = (
            database.query_row("SELECT fault_id FROM alarms WHERE id = ?", (alarm_id,))
            for alarm_id in alarm_ids
        )
        new_id = next((row for row in rows if row is not None), None)
        if new_id is None or new_id[0] in (None, *former, *adopted):
            continue
        adopted[new_id[0]] = old_id
        values = {"new": new_id[0], "old": old_id}
        database.execute(
            "UPDATE faults SET (acknowledged_ns, probable_cause, probability) = (SELECT"
            " acknowledged_ns, probable_cause, probability FROM faults WHERE id = :old)"
            " WHERE id = :new",
            values,
        )
        database.execute("DELETE FROM faults WHERE id = :old", values)
        database.execute("UPDATE faults SET id = :old WHERE id = :new", values)
        for table in ("alarms", "excursions"):
            database.execute(f"UPDATE {table} SET fault_id = :old WHERE fault_id = :new", values)
    return adopted


def _renew_changes(database: Database, changes: Sequence[tuple[int, FaultChange]]) -> None:
    """Store the changes that are missing; delete those that are not derived, and their faults."""
    derived = {(fault_id, str(row.change), row.time_ns): row.summary for fault_id, row in changes}
    fault_ids = {fault_id for fault_id, _ in changes}
    doomed = []
    for change_id, fault_id, change, time_ns, by_diagnosis in database.query(
        f"SELECT id, fault_id, change, time_ns, {faults.BY_DIAGNOSIS} FROM fault_changes"
    ):
        is_derived = derived.pop((fault_id, change, time_ns), None) is not None
        if not is_derived and not (by_diagnosis and fault_id in fault_ids):
            doomed.append((change_id,))
    database.execute_many("DELETE FROM fault_changes WHERE id = ?", doomed)
    for (fault_id, change, time_ns), summary in derived.items():
        faults.insert_change(database, fault_id, FaultChangeKind(change), time_ns, summary)
    gone = [
        (fault_id,)
        for (fault_id,) in database.query("SELECT id FROM faults")
        if fault_id not in fault_ids
    ]
    database.execute_many("DELETE FROM faults WHERE id = ?", gone)
