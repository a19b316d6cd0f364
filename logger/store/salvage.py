"""A damaged database is set aside, and what can still be read of it goes into a new one."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from logger.store.schema import transaction
from logger.store.segments import is_readable

log = logging.getLogger("mismatchd")

PAGE_ROWS = 500
CHECKED_BYTES = 32 << 20  # a larger file would keep the daemon waiting at its start


def check(connection: sqlite3.Connection, path: Path) -> None:
    """Raise sqlite3.DatabaseError if a database can be seen to be damaged.

    All of it is looked at if it is small; of a large one the schema and the newest rows.
    """
    if path.stat().st_size <= CHECKED_BYTES:
        found = connection.execute("PRAGMA quick_check(1)").fetchone()
        if found and found[0] != "ok":
            raise sqlite3.DatabaseError(f"database is malformed: {' '.join(found[0].split())}")
    for (name,) in _tables(connection):
        connection.execute(f"SELECT * FROM {name} ORDER BY 1 DESC LIMIT 1").fetchall()


def set_aside(path: Path) -> Path:
    """Rename a database with its log; returns where it is now."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    for suffix in ("", "-wal", "-shm"):
        piece = path.with_name(path.name + suffix)
        if piece.exists():
            piece.rename(aside.with_name(aside.name + suffix))
    return aside


def salvage(aside: Path, target: sqlite3.Connection) -> dict[str, int]:
    """Copy what can be read of a damaged database; the number of rows by table.

    `target` has the present schema. Rows keep their ids.
    """
    copied: dict[str, int] = {}
    try:
        source = sqlite3.connect(f"{aside.absolute().as_uri()}?mode=ro", uri=True)
    except sqlite3.Error as error:
        log.error("nothing can be read of %s: %s", aside, error)
        return copied
    try:
        for (name,) in _tables(target):
            columns = [row[1] for row in target.execute(f"PRAGMA table_info({name})")]
            with transaction(target):
                copied[name] = _copy(source, target, name, columns)
    finally:
        source.close()
    return {name: count for name, count in copied.items() if count}


def _tables(connection: sqlite3.Connection) -> list[tuple[str]]:
    return connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    ).fetchall()


def _copy(
    source: sqlite3.Connection, target: sqlite3.Connection, name: str, columns: list[str]
) -> int:
    try:
        there = {row[1] for row in source.execute(f"PRAGMA table_info({name})")}
    except sqlite3.Error:
        return 0
    shared = [column for column in columns if column in there]
    if not shared:
        return 0
    put = (
        f"INSERT OR IGNORE INTO {name} ({', '.join(map(_quoted, shared))})"
        f" VALUES ({', '.join('?' * len(shared))})"
    )
    count = 0
    for row in _rows(source, name, shared):
        data = dict(zip(shared, row, strict=True)).get("data")
        if name == "segments" and not (isinstance(data, bytes) and is_readable(data)):
            continue
        try:
            count += target.execute(put, row).rowcount
        except sqlite3.IntegrityError:  # a row that is no longer one of ours
            continue
    return count


def _rows(source: sqlite3.Connection, name: str, columns: list[str]) -> Iterator[tuple[Any, ...]]:
    """Rows in order of their key, stepping over what cannot be read."""
    key = _quoted(columns[0])
    select = f"SELECT {', '.join(map(_quoted, columns))} FROM {name}"
    last = _end(source, name, key)
    after: Any = None
    step = 1
    while True:
        where, values = ("", ()) if after is None else (f" WHERE {key} > ?", (after,))
        for limit in (PAGE_ROWS, 1):
            try:
                page = source.execute(
                    f"{select}{where} ORDER BY {key} LIMIT {limit}", values
                ).fetchall()
            except (sqlite3.DatabaseError, sqlite3.DataError):
                continue
            break
        else:
            if not isinstance(last, int) or not isinstance(after or 0, int):
                return
            after = (after or 0) + step
            if after >= last:
                return
            step *= 2
            continue
        if not page:
            return
        yield from page
        after, step = page[-1][0], 1


def _end(source: sqlite3.Connection, name: str, key: str) -> Any:
    """The highest key that can be read."""
    try:
        row = source.execute(f"SELECT {key} FROM {name} ORDER BY {key} DESC LIMIT 1").fetchone()
    except sqlite3.Error:
        return 1 << 62
    return row[0] if row else None


def _quoted(name: str) -> str:
    return f'"{name}"'
