"""Salvage of a damaged database: it is set aside, and its readable rows are copied to a new one.

A disk that fails to read looks like damage to SQLite, and may read again in a moment. So damage is
confirmed first, and a failure to read ends the salvage; it is repeated later, and only a disk that
goes on failing costs rows (`skips_unreadable`).
"""

from __future__ import annotations

import contextlib
import errno
import glob
import itertools
import logging
import os
import sqlite3
import sys
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from logger.store.durability import sync
from logger.store.segments import is_readable
from logger.store.sqlite import is_disk_failure, transaction
from logger.store.tables import FORWARDED

log = logging.getLogger("mismatchd")

PAGE_ROWS = 100  # rows copied at a time
CHECKED_BYTES = 32 << 20  # checking a larger file would delay the start of the daemon
# Reads files page by page, like SQLite with our pages.
READER = """
import sys
for path in sys.argv[1:]:
    with open(path, "rb", 0) as file:
        while file.read(512):
            pass
"""
PAUSE_S = 0.05  # or
STEPS = 100_000  # of SQLite between calls of `meanwhile`
NEW = ".new"
PIECES = ("", "-wal", "-shm")

Rows = list[tuple[Any, ...]]
Query = Callable[..., Rows | None]  # statement and values; None if the rows are damaged


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


def is_sound(path: Path, meanwhile: Callable[[], None] = lambda: None) -> bool:
    """True if a complete check of a database finds no damage.

    Raise OSError or sqlite3.Error if the disk does not read it, and what `meanwhile` raises.
    """
    read_through(path, meanwhile)
    raised: list[Exception] = []

    def step() -> bool:
        try:
            meanwhile()
        except Exception as error:
            raised.append(error)
        return bool(raised)

    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.set_progress_handler(step, STEPS)
        try:
            report = connection.execute("PRAGMA integrity_check(1)").fetchone()
        except sqlite3.Error as error:
            if raised:
                raise raised[0] from error
            if is_disk_failure(error):
                raise
            report = None
    if report == ("ok",):
        return True
    read_through(path, meanwhile)
    return False


def read_through(path: Path, meanwhile: Callable[[], None] = lambda: None) -> None:
    """Read a database and its log as SQLite does. Raise OSError if the disk does not.

    Where SQLite meets a failure to read, it may report damage instead. Another process reads: to
    close a file releases all POSIX locks of its process on it, those of SQLite, too.
    """
    import subprocess  # seldom needed

    pieces = [str(_beside(path, suffix)) for suffix in PIECES[:2]]
    words = [sys.executable, "-I", "-S", "-c", READER, *filter(os.path.exists, pieces)]
    with subprocess.Popen(words, stderr=subprocess.DEVNULL) as reader:
        try:
            while reader.poll() is None:
                meanwhile()
                with contextlib.suppress(subprocess.TimeoutExpired):
                    reader.wait(PAUSE_S)
        finally:
            reader.kill()
    if reader.returncode:
        raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))


def begin(path: Path) -> Path:
    """Return the path at which to fill the new database before it replaces the damaged one.

    An interrupted salvage can thus start again; leftovers of an earlier one are deleted.
    """
    new = _beside(path, NEW)
    for suffix in PIECES:
        _beside(new, suffix).unlink(missing_ok=True)
    return new


def exchange(path: Path, state: str = "") -> Path | None:
    """Set a database and its log aside, put the new one in place; return the old one's path.

    `complete` does the rest if it is interrupted.
    """
    aside = set_aside(path, state) if path.exists() else None
    _put_in_place(path)
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
    """Complete an interrupted exchange: it has begun if the old database is gone.

    If it is still there, the new one is deleted: a salvage is repeated, a restore is not.
    """
    new = _beside(path, NEW)
    if not new.exists():
        return
    if path.exists():
        for suffix in PIECES:
            _beside(new, suffix).unlink(missing_ok=True)
        log.warning("%s: what an interrupted restore or salvage had written was deleted", path)
        return
    aside = _newest_aside(path)
    for suffix in PIECES[1:]:
        piece = _beside(path, suffix)
        if piece.exists() and aside is not None:
            piece.rename(_beside(aside, suffix))
    _put_in_place(path)
    former = "" if aside is None else f"; the former store is {aside.name}"
    log.warning("%s: an interrupted restore or salvage was completed%s", path, former)


def _put_in_place(path: Path) -> None:
    for suffix in PIECES[1:]:  # the log of the old one must not be used for the new one
        _beside(path, suffix).unlink(missing_ok=True)
    _beside(path, NEW).rename(path)
    sync(path.parent)


def _newest_aside(path: Path) -> Path | None:
    names = path.parent.glob(f"{glob.escape(path.name)}.*-*Z*")
    asides = [name for name in names if not name.name.endswith(PIECES[1:])]
    return max(asides, key=lambda aside: aside.stat().st_ctime_ns, default=None)


def _beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


def salvage(
    damaged: Path,
    target: sqlite3.Connection,
    meanwhile: Callable[[], None] = lambda: None,
    *,
    skips_unreadable: bool = False,
) -> dict[str, int]:
    """Copy the readable rows of a damaged database; return the number of rows by table.

    `target` has the present schema. Rows keep their ids. `meanwhile` is called often; an exception
    from it ends the salvage, and so does a failure to read, unless these rows are to be skipped.
    """
    copied: dict[str, int] = {}
    try:
        source = sqlite3.connect(f"{damaged.absolute().as_uri()}?mode=ro", uri=True)
    except sqlite3.Error as error:
        log.error("nothing can be read from %s: %s", damaged, error)
        return copied

    def query(statement: str, values: Sequence[Any] = ()) -> Rows | None:
        try:
            return source.execute(statement, values).fetchall()
        except sqlite3.Error as error:
            if is_disk_failure(error) and not skips_unreadable:
                raise
            return None

    try:
        for (name,) in _tables(target):
            columns = [row[1] for row in target.execute(f"PRAGMA table_info({name})")]
            copied[name] = _copy(query, target, name, columns, meanwhile)
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
    if not skips_unreadable:
        read_through(damaged, meanwhile)
    return {name: count for name, count in copied.items() if count}


def _tables(connection: sqlite3.Connection) -> list[tuple[str]]:
    return connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    ).fetchall()


def _copy(
    query: Query,
    target: sqlite3.Connection,
    name: str,
    columns: list[str],
    meanwhile: Callable[[], None],
) -> int:
    source_columns = {row[1] for row in query(f"PRAGMA table_info({name})") or ()}
    shared = [column for column in columns if column in source_columns]
    if not shared:
        return 0
    insert = (
        f"INSERT OR IGNORE INTO {name} ({', '.join(map(_quoted, shared))})"
        f" VALUES ({', '.join('?' * len(shared))})"
    )
    data = shared.index("data") if name == "segments" else None
    changes = target.total_changes
    for page in _pages(query, name, shared):
        rows = [row for row in page if data is None or _is_sound(row[data])]
        with transaction(target):
            target.executemany(insert, rows)  # rows that violate our constraints are ignored
        meanwhile()
    return target.total_changes - changes


def _is_sound(data: Any) -> bool:
    return isinstance(data, bytes) and is_readable(data)


def _pages(query: Query, name: str, columns: list[str]) -> Iterator[Rows]:
    """Yield pages of rows in order of their key, skipping unreadable rows."""
    key = _quoted(columns[0])
    select = f"SELECT {', '.join(map(_quoted, columns))} FROM {name}"

    def page(after: Any, limit: int) -> Rows | None:
        where, values = ("", ()) if after is None else (f" WHERE {key} > ?", (after,))
        return query(f"{select}{where} ORDER BY {key} LIMIT {limit}", values)

    last = _end(query, name, key)
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


def _end(query: Query, name: str, key: str) -> Any:
    """Return the highest readable key."""
    rows = query(f"SELECT {key} FROM {name} ORDER BY {key} DESC LIMIT 1")
    if rows is None:
        return 1 << 62
    return rows[0][0] if rows else None


def _quoted(name: str) -> str:
    return f'"{name}"'
