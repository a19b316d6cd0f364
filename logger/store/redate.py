"""Correction of stored times once the host's true clock is known; see `logger.service.dating`."""

from __future__ import annotations

from logger import faults
from logger.rows import CAPTURE_BEFORE_NS, Boot, ClockChange, Flag, Shift, Trust
from logger.store.database import Database
from logger.store.statements import UPSERT_MEMORY
from logger.store.tables import HIGHEST, PROVISIONAL

ASIDE = 1 << 62  # offset of rows during a move, where they collide with no others
LATEST = (
    "SELECT max(end_ns) FROM transmissions WHERE end_ns <= ?1",
    "SELECT max(time_ns) FROM seconds WHERE time_ns <= ?1",
    "SELECT max(raised_ns) FROM alarms WHERE raised_ns <= ?1",
    "SELECT max(cleared_ns) FROM alarms WHERE cleared_ns <= ?1",
    "SELECT max(time_ns) FROM excursions WHERE time_ns <= ?1",
    "SELECT max(last_ns) FROM segments WHERE last_ns <= ?1",
)
_MEMORY = "SELECT content FROM memories WHERE rule = ?"


def last_ns(database: Database, upto_ns: int = HIGHEST) -> int | None:
    """Return the time of the last row that is not later than `upto_ns`, None if there is none."""
    latest = [database.query_value(statement, (upto_ns,)) for statement in LATEST]
    return max((time_ns for time_ns in latest if time_ns is not None), default=None)


def select_boot(database: Database, name: str) -> tuple[Boot | None, int]:
    """Return the stored record of this start of the host, and a number of lost starts.

    The latter are earlier starts that ended before their rows could be dated, which is no longer
    possible.
    """
    with database.transaction():
        database.execute("DELETE FROM boots WHERE name != ? AND trust != ?", (name, PROVISIONAL))
        lost = database.execute(
            "UPDATE boots SET until_ns = ? WHERE name != ? AND until_ns IS NULL",
            (last_ns(database) or 0, name),
        )
    row = database.query_row(
        "SELECT name, trust, before_ns, since_ns, offset_ns FROM boots WHERE name = ?", (name,)
    )
    return None if row is None else Boot(row[0], Trust(row[1]), *row[2:]), lost


def upsert_boot(database: Database, boot: Boot) -> None:
    """Store the state of trust in the clock."""
    database.execute(
        "INSERT OR REPLACE INTO boots (name, trust, before_ns, since_ns, offset_ns)"
        " VALUES (?, ?, ?, ?, ?)",
        (boot.name, boot.trust.value, boot.before_ns, boot.since_ns, boot.offset_ns),
    )


def apply_change(database: Database, row: ClockChange) -> None:
    """Move rows if required, and store the new state; within the caller's transaction."""
    if row.shift is not None:
        redate(database, row.shift)
        for (content,) in database.query(_MEMORY, (faults.KIND,)):
            database.execute(UPSERT_MEMORY, (faults.KIND, faults.redate(content, row.shift)))
    upsert_boot(database, row.boot)


def redate(database: Database, shift: Shift) -> None:
    """Move and flag all rows of a time span; forwarders deliver them again."""
    flags = f"flags = flags | {int(Flag.CLOCK_STEP)}"
    _move(database, shift, "transmissions", "start_ns", f"end_ns = end_ns + :by, {flags}")
    _move(database, shift, "seconds", "time_ns", flags)
    _move(database, shift, "alarms", "raised_ns", flags)
    _move(database, shift, "faults", "opened_ns")
    _move(database, shift, "weather", "time_ns")
    for table, column in (
        ("alarms", "cleared_ns"),
        ("alarms", "acknowledged_ns"),
        ("alarm_changes", "time_ns"),
        ("faults", "first_ns"),
        ("faults", "closed_ns"),
        ("faults", "acknowledged_ns"),
        ("fault_changes", "time_ns"),
        ("excursions", "time_ns"),
        ("journal", "time_ns"),
        ("line_losses", "time_ns"),
        ("verifications", "time_ns"),
        ("verifications", "since_ns"),
        ("sessions", "begun_ns"),
        ("sessions", "changed_ns"),
        ("health", "time_ns"),
    ):
        _add(database, shift, table, column)
    # A capture moves with its event.
    _move(database, shift, "captures", "first_ns", "last_ns = last_ns + :by", CAPTURE_BEFORE_NS)
    # A segment's times are relative to its `first_ns`, so only its row has to be moved. Any copy of
    # these times in memory must be read again.
    _move(database, shift, "segments", "first_ns", "last_ns = last_ns + :by")
    _move(database, shift, "runs", "first_ns")


def _move(
    database: Database,
    shift: Shift,
    table: str,
    column: str,
    changes: str = "",
    lead_ns: int = 0,
) -> None:
    """Move a column of unique values.

    It takes two steps, or a row could collide with one that has not moved yet. The values are
    `lead_ns` earlier than the times by which rows are selected.
    """
    database.execute(
        f"UPDATE {table} SET {column} = {column} + :by - {ASIDE}{changes and ', ' + changes}"
        f" WHERE {column} BETWEEN :since AND :until",
        {
            "by": shift.by_ns,
            "since": max(shift.since_ns - lead_ns, -HIGHEST),
            "until": shift.until_ns - lead_ns,
        },
    )
    database.execute(
        f"UPDATE {table} SET {column} = {column} + {ASIDE} WHERE {column} < -{ASIDE // 2}"
    )


def _add(database: Database, shift: Shift, table: str, column: str) -> None:
    database.execute(
        f"UPDATE {table} SET {column} = {column} + ? WHERE {column} BETWEEN ? AND ?",
        (shift.by_ns, shift.since_ns, shift.until_ns),
    )
