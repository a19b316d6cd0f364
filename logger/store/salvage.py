"""Salvage of a damaged database: it is set aside, and its readable rows are copied to a new one."""

from __future__ import annotations

import itertools
import logging
import sqlite3
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from logger.store.segments import is_readable
from logger.store.sqlite import transaction
from logger.store.tables import FORWARDED

log = logging.getLogger("mismatchd")

PAGE_ROWS = 100  # rows copied at a time
CHECKED_BYTES = 32 << 20  # checking a larger file would delay the start of the daemon
NEW = ".new"
PIECES = ("", "-wal", "-shm")


def check(connection: sqlite3.Connection, path: Path) -> None:
    """Raise sqlite3.DatabaseError if damage can be detected.

    A small database is checked completely; of a large one, the schema and the newest rows.
    """
    if path.stat().st_size <= CHECKED_BYTES:
        report = connection.execute("PRAGMA quick_check(1)").fetchone()
        if report and report[0] != "ok":
            raise sqlite3.DatabaseError(f"database is malformed: {' '.join(report[0].split())}")
    for (name,) in _tables(connection):
        connection.execute(f"SELECT * FROM {name} ORDER BY 1 DESC LIMIT 1").fetchall()


def begin(path: Path) -> Path:
    """Return the path at which to fill the new database before it replaces the damaged one.

    An interrupted salvage can thus start again; leftovers of an earlier one are deleted.
    """
    new = _beside(path, NEW)
    for suffix in PIECES:
        _beside(new, suffix).unlink(missing_ok=True)
    return new


def exchange(path: Path) -> Path:
    """Set a database and its log aside, put the new one in place; return the old one's path."""
    aside = set_aside(path, "damaged")
    _beside(path, NEW).rename(path)
    return aside


def set_aside(path: Path, state: str) -> Path:
    """Rename a database and its log after its state and the time; return its new path."""
    aside = path.with_name(free_name(path, state))
    for suffix in PIECES:
        piece = _beside(path, suffix)
        if piece.exists():
            piece.rename(_beside(aside, suffix))
    return aside


def free_name(path: Path, state: str) -> str:
    """Return a name for a database set aside; one of the same second is not overwritten."""
    stem = f"{path.name}.{state}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    names = (f"{stem}-{number}" if number > 1 else stem for number in itertools.count(1))
    return next(name for name in names if not path.with_name(name).exists())


def complete(path: Path) -> None:
    """Complete an interrupted exchange: it has begun if the old database is gone."""
    new = _beside(path, NEW)
    if new.exists() and not path.exists():
        for suffix in PIECES[1:]:  # the log of the old one must not be used for the new one
            _beside(path, suffix).unlink(missing_ok=True)
        new.rename(path)


def _beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


def salvage(
    damaged: Path, target: sqlite3.Connection, meanwhile: Callable[[], None] = lambda: None
) -> dict[str, int]:
    """Copy the readable rows of a damaged database; return the number of rows by table.

    `target` has the present schema. Rows keep their ids. `meanwhile` is called often; an exception
    from it ends the salvage.
    """
    copied: dict[str, int] = {}
    try:
        source = sqlite3.connect(f"{damaged.absolute().as_uri()}?mode=ro", uri=True)
    except sqlite3.Error as error:
        log.error("nothing can be read from %s: %s", damaged, error)
        return copied
    try:
        for (name,) in _tables(target):
            columns = [row[1] for row in target.execute(f"PRAGMA table_info({name})")]
            copied[name] = _copy(source, target, name, columns, meanwhile)
        with transaction(target):
            for table in FORWARDED:
                # Otherwise new rows with the ids of lost ones would count as delivered.
                target.execute(
                    "UPDATE forwarded SET live = min(live, (SELECT coalesce(max(id), 0)"
                    f" FROM {table.name})) WHERE followed = ?",
                    (table.name,),
                )
            for event in ("alarm", "fault"):
                # Otherwise new changes with the ids of lost ones would be delivered for them.
                target.execute(
                    "DELETE FROM deliveries WHERE event = ? AND message IS NULL"
                    f" AND change_id NOT IN (SELECT id FROM {event}_changes)",
                    (event,),
                )
    finally:
        source.close()
    return {name: count for name, count in copied.items() if count}


def _tables(connection: sqlite3.Connection) -> list[tuple[str]]:
    return connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    ).fetchall()


def _copy(
    source: sqlite3.Connection,
    target: sqlite3.Connection,
    name: str,
    columns: list[str],
    meanwhile: Callable[[], None],
) -> int:
    try:
        source_columns = {row[1] for row in source.execute(f"PRAGMA table_info({name})")}
    except sqlite3.Error:
        return 0
    shared = [column for column in columns if column in source_columns]
    if not shared:
        return 0
    insert = (
        f"INSERT OR IGNORE INTO {name} ({', '.join(map(_quoted, shared))})"
        f" VALUES ({', '.join('?' * len(shared))})"
    )
    data = shared.index("data") if name == "segments" else None
    changes = target.total_changes
    for page in _pages(source, name, shared):
        rows = [row for row in page if data is None or _is_sound(row[data])]
        with transaction(target):
            target.executemany(insert, rows)  # rows that violate our constraints are ignored
        meanwhile()
    return target.total_changes - changes


def _is_sound(data: Any) -> bool:
    return isinstance(data, bytes) and is_readable(data)


def _pages(
    source: sqlite3.Connection, name: str, columns: list[str]
) -> Iterator[list[tuple[Any, ...]]]:
    """Yield pages of rows in order of their key, skipping unreadable rows."""
    key = _quoted(columns[0])
    select = f"SELECT {', '.join(map(_quoted, columns))} FROM {name}"

    def page(after: Any, limit: int) -> list[tuple[Any, ...]] | None:
        where, values = ("", ()) if after is None else (f" WHERE {key} > ?", (after,))
        try:
            return source.execute(
                f"{select}{where} ORDER BY {key} LIMIT {limit}", values
            ).fetchall()
        except (sqlite3.DatabaseError, sqlite3.DataError):
            return None

    last = _end(source, name, key)
    after: Any = None
    while True:
        rows = page(after, PAGE_ROWS)
        if rows is None:
            rows = page(after, 1)
        if rows is None:
            if not isinstance(last, int) or not isinstance(after or 0, int):
                return
            after = _beyond(after or 0, last, lambda key: page(key, 1) is not None)
            if after is None:
                return
        elif not rows:
            return
        else:
            yield rows
            after = rows[-1][0]


def _beyond(after: int, last: int, readable: Callable[[int], bool]) -> int | None:
    """Return the next key before `last` after which a row can be read; None if there is none.

    The end of the damage is unknown, so it is searched in steps that double, in both directions.
    """
    step, nearest = 1, last - 1
    while after + step < nearest and not readable(after + step):
        after += step
        step *= 2
    if after + step < nearest:
        nearest = after + step
    elif nearest <= after or not readable(nearest):
        return None
    while True:
        bad, good = after, nearest
        while good - bad > 1:
            middle = (bad + good) // 2
            bad, good = (bad, middle) if readable(middle) else (middle, good)
        step = 1  # readable rows may lie between
        while good - step > after and not readable(good - step):
            step *= 2
        if good - step <= after:
            return good
        nearest = good - step


def _end(source: sqlite3.Connection, name: str, key: str) -> Any:
    """Return the highest readable key."""
    try:
        row = source.execute(f"SELECT {key} FROM {name} ORDER BY {key} DESC LIMIT 1").fetchone()
    except sqlite3.Error:
        return 1 << 62
    return row[0] if row else None


def _quoted(name: str) -> str:
    return f'"{name}"'
