"""Connection to the store: one SQLite file in write-ahead mode, one writer, many short readers."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self

from logger.errors import StoreError
from logger.store.durability import sync
from logger.store.schema import current_version, version_of
from logger.store.sqlite import error_class, transaction, translate_errors
from logger.store.stall import StallTimer

BUSY_MS = 5000
# A page written twice before the log reaches this size is written to the file once.
LOG_BYTES = 8_192_000
FETCH_ROWS = 500
CACHE_KB = 256  # of `limit_cache`; SQLite keeps 2 MB for each connection otherwise
OTHER_USER = "; use sudo, or the daemon's user"  # ends a message
LARGEST = (1 << 63) - 1  # integer of SQLite

Values = Sequence[Any] | Mapping[str, Any]


class Database:
    """Connection to the file, closed by its context manager. Methods raise StoreError.

    Open it with `reader` or `editor`; `StoreWriter` opens its own, which creates the file.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self.path = path
        self.timer = StallTimer()
        self._connection = connection
        self.identity = _identity(path)  # device and inode
        self._data_version = self.query_value("PRAGMA data_version")
        log_pages = LOG_BYTES // self.query_value("PRAGMA page_size")
        self.execute(f"PRAGMA wal_autocheckpoint = {log_pages}")

    @classmethod
    def reader(cls, path: Path) -> Self:
        """Open for reading; SQLite refuses every change. Raise StoreError."""
        database = cls.editor(path)
        database.execute("PRAGMA query_only = ON")
        return database

    @classmethod
    def editor(cls, path: Path) -> Self:
        """Open for reading and for short changes beside the daemon. Raise StoreError."""
        cls.expect(path)
        connection = None
        try:
            connection = connect(path, "rw")
            version = version_of(connection)
            if version == 0:  # another process is just creating it
                raise _missing(path)
            if version < current_version():
                raise StoreError(
                    f"{path}: written by an older version of this program;"
                    " `mismatchd run` brings it up to date"
                )
            return cls(connection, path)
        except (StoreError, sqlite3.Error) as error:
            if connection is not None:
                connection.close()
            if isinstance(error, StoreError):
                raise
            # Even a reader writes to the log's index.
            rights = os.R_OK | os.W_OK
            remedy = "" if os.access(path, rights, effective_ids=True) else OTHER_USER
            raise StoreError(f"{path}: cannot be read: {error}{remedy}") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @staticmethod
    def expect(path: Path) -> None:
        """Raise StoreError if there is no file, or if its folder may not be searched."""
        try:
            path.stat()
        except (FileNotFoundError, NotADirectoryError):
            raise _missing(path) from None
        except OSError as error:
            raise StoreError(f"{path}: cannot be read: {error.strerror}{OTHER_USER}") from error

    @property
    def replaced(self) -> bool:
        """True if the path now refers to another file, because this one was found damaged."""
        return _identity(self.path) != self.identity

    def changed_elsewhere(self) -> bool:
        """True if another process has written since the last call."""
        previous, self._data_version = self._data_version, self.query_value("PRAGMA data_version")
        return bool(previous != self._data_version)

    def wait_for_locks(self, milliseconds: int) -> None:
        """Wait so long for a lock before a statement fails; BUSY_MS otherwise."""
        self.execute(f"PRAGMA busy_timeout = {milliseconds}")

    def limit_cache(self) -> None:
        """Keep few pages in memory: for a connection that stays open beside the writer's."""
        self.execute(f"PRAGMA cache_size = -{CACHE_KB}")

    def checkpoint(self) -> bool:
        """Move the write-ahead log into the file, as far as nobody reads it; both are synced.

        Return True if all of it was moved.
        """
        with self.timer.time():
            _, frames, moved = self.query_row("PRAGMA wal_checkpoint(PASSIVE)")
        return bool(frames == moved)

    def copy_to(self, path: Path) -> None:
        """Write all rows to a new file, verified and synced. Raise StoreError, OSError."""
        try:
            copy(self._connection, path)
        except sqlite3.Error as error:  # of either file
            text = f"{self.path}: cannot be copied to {path}: {error}"
            raise error_class(error)(text) from error

    def close(self) -> None:
        """Close the file; may be called twice."""
        self._connection.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing; within another transaction, a part of that one."""
        if self._connection.in_transaction:
            yield
            return
        with translate_errors(self.path), transaction(self._connection, self.timer):
            yield

    def query(self, statement: str, values: Values = ()) -> list[tuple[Any, ...]]:
        """Return all rows of a statement."""
        with translate_errors(self.path):
            return self._run(statement, values).fetchall()

    def query_row(self, statement: str, values: Values = ()) -> Any:
        """Return the first row of a statement, None if there is none."""
        return next(iter(self.query(statement, values)), None)

    def query_value(self, statement: str, values: Values = ()) -> Any:
        """Return the first value of the first row."""
        return self.query(statement, values)[0][0]

    def stream(self, statement: str, values: Values = ()) -> Iterator[tuple[Any, ...]]:
        """Yield the rows of a statement.

        Read it to its end without delay: until then it keeps the write-ahead log from shrinking.
        """
        with translate_errors(self.path):
            rows = self._run(statement, values)
            while page := rows.fetchmany(FETCH_ROWS):
                yield from page

    def execute(self, statement: str, values: Values = ()) -> int:
        """Run a statement; return the number of rows changed."""
        with translate_errors(self.path):
            return self._run(statement, values).rowcount

    def _run(self, statement: str, values: Values) -> sqlite3.Cursor:
        try:
            return self._connection.execute(statement, values)
        except OverflowError:  # no stored number is beyond, so comparisons keep their result
            if isinstance(values, Mapping):
                values = {name: _within_64_bits(value) for name, value in values.items()}
            else:
                values = [*map(_within_64_bits, values)]
            return self._connection.execute(statement, values)

    def execute_many(self, statement: str, rows: Iterable[Values]) -> None:
        """Run a statement for each of the rows of values."""
        with translate_errors(self.path):
            self._connection.executemany(statement, rows)


def _within_64_bits(value: Any) -> Any:
    return max(-LARGEST - 1, min(value, LARGEST)) if isinstance(value, int) else value


class Repository:
    """Some tables of the store, in a database that it holds; closes it as a context manager."""

    def __init__(self, database: Database) -> None:
        self.database = database

    @classmethod
    def reader(cls, path: Path) -> Self:
        """Open the store for reading: methods that write fail. Raise StoreError."""
        return cls(Database.reader(path))

    @classmethod
    def editor(cls, path: Path) -> Self:
        """Open the store for short changes beside the daemon. Raise StoreError."""
        return cls(Database.editor(path))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def path(self) -> Path:
        """Path of the file."""
        return self.database.path

    def close(self) -> None:
        """Close the file; may be called twice."""
        self.database.close()


def copy(source: sqlite3.Connection, path: Path) -> None:
    """Write a copy to a new file, without a log; verify and sync it.

    Raise sqlite3.DatabaseError if it is not sound, OSError.
    """
    path.unlink(missing_ok=True)
    path.touch(0o600)
    try:
        with contextlib.closing(sqlite3.connect(path)) as target:
            source.backup(target)
            target.execute("PRAGMA journal_mode = DELETE")
            report = target.execute("PRAGMA integrity_check(1)").fetchone()[0]
            if report != "ok":
                raise sqlite3.DatabaseError(f"the copy is malformed: {' '.join(report.split())}")
        sync(path)
    except BaseException:
        path.unlink(missing_ok=True)
        raise


def connect(path: Path, mode: str) -> sqlite3.Connection:
    """Open a connection that waits for locks; `mode` is SQLite's: ro, rw or rwc."""
    # A log cannot be begun on a disk that was mounted read-only, not even for reading.
    is_fixed = mode != "rwc" and _is_read_only(path) and not _has_log(path)
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}{'&immutable=1' if is_fixed else ''}",
        uri=True,
        isolation_level=None,
        check_same_thread=False,  # passed from the main thread to the keeper, never shared
    )
    connection.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
    return connection


def _is_read_only(path: Path) -> bool:
    try:
        return bool(os.statvfs(path).f_flag & os.ST_RDONLY)
    except OSError:  # SQLite will report it
        return False


def _has_log(path: Path) -> bool:
    return path.with_name(path.name + "-wal").exists()


def _missing(path: Path) -> StoreError:
    return StoreError(
        f"no store at {path} yet; has `mismatchd run` been started with this configuration?"
    )


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        status = os.stat(path)
    except OSError:
        return None
    return status.st_dev, status.st_ino
