"""SQLite itself: insertion, transactions, and classification of its failures by cause."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from logger.errors import DamageError, DiskError, StoreError
from logger.store.stall import StallTimer

NO_SPACE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
SIGNS = ("malformed", "not a database", "corrupt")  # parts of messages that indicate damage
PRIMARY = 0xFF  # mask of the primary part of a result code


def insert(table: str, fields: Sequence[str]) -> str:
    """Return the statement that inserts a row."""
    return f"INSERT INTO {table} ({', '.join(fields)}) VALUES ({', '.join('?' * len(fields))})"


@contextmanager
def transaction(connection: sqlite3.Connection, timer: StallTimer | None = None) -> Iterator[None]:
    """All or nothing; takes the write lock at once, so that it cannot be lost midway.

    `timer` times the lock and the commit.
    """
    timer = timer or StallTimer()
    with timer.time():
        connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        with timer.time():
            connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # SQLite ends it itself on a full disk
            connection.execute("ROLLBACK")
        raise


@contextmanager
def translate_errors(path: Path) -> Iterator[None]:
    """Raise errors of SQLite as a StoreError that names the file."""
    try:
        yield
    except sqlite3.Error as error:
        raise error_class(error)(f"{path}: {error}") from error


def error_class(error: Exception) -> type[StoreError]:
    """Return the class of StoreError for an error of SQLite or of the system."""
    if isinstance(error, sqlite3.DatabaseError) and any(sign in str(error) for sign in SIGNS):
        return DamageError
    if isinstance(error, OSError):
        return DiskError if error.errno in NO_SPACE else StoreError
    code = getattr(error, "sqlite_errorcode", 0) & PRIMARY
    # Over a quota or a size limit is reported as a failed write.
    return DiskError if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR) else StoreError


def is_disk_failure(error: sqlite3.Error) -> bool:
    """True if the disk did not read or write, whatever the content may be."""
    return getattr(error, "sqlite_errorcode", 0) & PRIMARY == sqlite3.SQLITE_IOERR


def disk_takes_nothing(error: StoreError) -> bool:
    """True if the disk is the cause, which a restart of the daemon would not fix."""
    code = getattr(error.__cause__, "sqlite_errorcode", 0)
    return isinstance(error, DiskError) or code & PRIMARY == sqlite3.SQLITE_READONLY
