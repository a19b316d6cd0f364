"""Correction of stored times once the host's true clock is known; see `logger.service.dating`."""

from __future__ import annotations

import sqlite3

from logger.rows import CAPTURE_BEFORE_NS, Boot, ClockChange, Flag, Shift, Trust

HIGHEST = (1 << 63) - 1
ASIDE = 1 << 62  # offset of rows during a move, where they collide with no others
LATEST = (
    "SELECT max(end_ns) FROM transmissions WHERE end_ns <= ?1",
    "SELECT max(time_ns) FROM seconds WHERE time_ns <= ?1",
    "SELECT max(raised_ns) FROM alarms WHERE raised_ns <= ?1",
    "SELECT max(cleared_ns) FROM alarms WHERE cleared_ns <= ?1",
    "SELECT max(time_ns) FROM excursions WHERE time_ns <= ?1",
    "SELECT max(last_ns) FROM segments WHERE last_ns <= ?1",
)
PROVISIONAL = Trust.PROVISIONAL.value


def last_ns(connection: sqlite3.Connection, upto_ns: int = HIGHEST) -> int | None:
    """Return the time of the last row that is not later than `upto_ns`, None if there is none."""
    found = [connection.execute(statement, (upto_ns,)).fetchone()[0] for statement in LATEST]
    return max((time_ns for time_ns in found if time_ns is not None), default=None)


def known_boot(connection: sqlite3.Connection, name: str) -> tuple[Boot | None, int]:
    """Return the stored record of this start of the host, and a number of lost starts.

    The latter are earlier starts that ended before their rows could be dated, which is no longer
    possible.
    """
    connection.execute("DELETE FROM boots WHERE name != ? AND trust != ?", (name, PROVISIONAL))
    lost = connection.execute(
        "UPDATE boots SET until_ns = ? WHERE name != ? AND until_ns IS NULL",
        (last_ns(connection) or 0, name),
    ).rowcount
    row = connection.execute(
        "SELECT name, trust, before_ns, since_ns, offset_ns FROM boots WHERE name = ?", (name,)
    ).fetchone()
    return None if row is None else Boot(row[0], Trust(row[1]), *row[2:]), lost


def remember(connection: sqlite3.Connection, boot: Boot) -> None:
    """Store the state of trust in the clock."""
    connection.execute(
        "INSERT OR REPLACE INTO boots (name, trust, before_ns, since_ns, offset_ns)"
        " VALUES (?, ?, ?, ?, ?)",
        (boot.name, boot.trust.value, boot.before_ns, boot.since_ns, boot.offset_ns),
    )


def change(connection: sqlite3.Connection, row: ClockChange) -> None:
    """Move rows if required, and store the new state; within the caller's transaction."""
    if row.shift is not None:
        redate(connection, row.shift)
    remember(connection, row.boot)


def redate(connection: sqlite3.Connection, shift: Shift) -> None:
    """Move and flag all rows of a time span; forwarders deliver them again."""
    flags = f"flags = flags | {int(Flag.CLOCK_STEP)}"
    _move(connection, shift, "transmissions", "start_ns", f"end_ns = end_ns + :by, {flags}")
    _move(connection, shift, "seconds", "time_ns", flags)
    _move(connection, shift, "alarms", "raised_ns", flags)
    _move(connection, shift, "weather", "time_ns")
    for table, column in (
        ("alarms", "cleared_ns"),
        ("alarms", "acknowledged_ns"),
        ("alarm_changes", "time_ns"),
        ("excursions", "time_ns"),
        ("journal", "time_ns"),
        ("line_losses", "time_ns"),
        ("sessions", "begun_ns"),
        ("sessions", "changed_ns"),
        ("health", "time_ns"),
    ):
        _add(connection, shift, table, column)
    # A capture moves with its event.
    _move(connection, shift, "captures", "first_ns", "last_ns = last_ns + :by", CAPTURE_BEFORE_NS)
    # A segment's times are relative to its `first_ns`, so only its row has to be moved. Any copy of
    # these times in memory must be read again.
    _move(connection, shift, "segments", "first_ns", "last_ns = last_ns + :by")
    _move(connection, shift, "runs", "first_ns")


def _move(
    connection: sqlite3.Connection,
    shift: Shift,
    table: str,
    column: str,
    more: str = "",
    lead_ns: int = 0,
) -> None:
    """Move a column of unique values.

    It takes two steps, or a row could collide with one that has not moved yet. The values are
    `lead_ns` earlier than the times by which rows are selected.
    """
    connection.execute(
        f"UPDATE {table} SET {column} = {column} + :by - {ASIDE}{more and ', ' + more}"
        f" WHERE {column} BETWEEN :since AND :until",
        {
            "by": shift.by_ns,
            "since": max(shift.since_ns - lead_ns, -HIGHEST),
            "until": shift.until_ns - lead_ns,
        },
    )
    connection.execute(
        f"UPDATE {table} SET {column} = {column} + {ASIDE} WHERE {column} < -{ASIDE // 2}"
    )


def _add(connection: sqlite3.Connection, shift: Shift, table: str, column: str) -> None:
    connection.execute(
        f"UPDATE {table} SET {column} = {column} + ? WHERE {column} BETWEEN ? AND ?",
        (shift.by_ns, shift.since_ns, shift.until_ns),
    )


def dated(*times: str) -> str:
    """Return the SQL condition for forwarding: none of these times (expressions) is provisional."""
    inside = " OR ".join(
        f"{time} BETWEEN b.since_ns AND coalesce(b.until_ns, {HIGHEST})" for time in times
    )
    return f"NOT EXISTS (SELECT 1 FROM boots AS b WHERE b.trust = '{PROVISIONAL}' AND ({inside}))"
