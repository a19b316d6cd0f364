"""Captures: time around alarms and excursions whose raw pairs outlast the archive's retention.

All functions run within a transaction of the caller.

Each event has its own capture, from BEFORE_NS before it to AFTER_NS after it; events of the same
extent share one. Captures may overlap: the pairs are stored once.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from logger.rows import CAPTURE_AFTER_NS as AFTER_NS
from logger.rows import CAPTURE_BEFORE_NS as BEFORE_NS
from logger.store.database import Database

if TYPE_CHECKING:
    from logger.blocks import Times

REFERRING = ("alarms", "excursions")


def around(database: Database, begin_ns: int, end_ns: int) -> int:
    """Return the id of the capture around an event of that extent; create it if needed."""
    span = begin_ns - BEFORE_NS, end_ns + AFTER_NS
    database.execute("INSERT OR IGNORE INTO captures (first_ns, last_ns) VALUES (?, ?)", span)
    return int(
        database.query_value("SELECT id FROM captures WHERE first_ns = ? AND last_ns = ?", span)
    )


def spans(database: Database) -> Times:
    """Return first and last nanosecond of all captured time in order, overlaps merged, (n, 2)."""
    import numpy as np  # not at the top: lists of alarms do without it

    rows = database.query("SELECT first_ns, last_ns FROM captures ORDER BY first_ns")
    table = np.array(rows, dtype=np.int64).reshape(-1, 2)
    if not len(table):
        return table
    first, last = table[:, 0], np.maximum.accumulate(table[:, 1])
    begins = np.concatenate([[True], first[1:] > last[:-1] + 1])
    return np.column_stack([first[begins], last[np.append(begins[1:], True)]])


def delete_until(database: Database, upto_ns: int) -> int:
    """Delete captures that begin by `upto_ns`, and references to them; return how many."""
    for table in REFERRING:
        database.execute(
            f"UPDATE {table} SET capture_id = NULL"
            " WHERE capture_id IN (SELECT id FROM captures WHERE first_ns <= ?)",
            (upto_ns,),
        )
    return database.execute("DELETE FROM captures WHERE first_ns <= ?", (upto_ns,))


def release(database: Database, ids: Iterable[int | None]) -> None:
    """Delete those of the captures that are no longer referenced."""
    unused = " AND ".join(
        f"NOT EXISTS (SELECT 1 FROM {table} WHERE capture_id = captures.id)" for table in REFERRING
    )
    database.execute_many(
        f"DELETE FROM captures WHERE id = ? AND {unused}", [(capture_id,) for capture_id in ids]
    )
