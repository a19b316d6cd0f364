"""Creation of the schema, and step-by-step migration of older ones."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from logger.errors import DamageError, DiskError, StoreError
from logger.store.refusals import is_damage, is_disk

FOLDER = Path(__file__).parent


def current_version(folder: Path = FOLDER) -> int:
    """Return the version of `schema.sql`: that of the newest `migrations/NNN.sql`, or 1."""
    return max((int(path.stem) for path in folder.glob("migrations/*.sql")), default=1)


def version_of(connection: sqlite3.Connection, folder: Path = FOLDER) -> int:
    """Return the version of a database, 0 if empty. Raise StoreError if newer than ours."""
    found, known = (
        int(connection.execute("PRAGMA user_version").fetchone()[0]),
        current_version(folder),
    )
    if found > known:
        raise StoreError(
            f"the store has version {found}, this program supports {known}; use a newer program"
        )
    return found


def bring_up_to_date(connection: sqlite3.Connection, folder: Path = FOLDER) -> None:
    """Create or migrate; each step is one transaction. Raise StoreError, sqlite3.Error."""
    known = current_version(folder)
    while version_of(connection, folder) < known:
        with transaction(connection):
            found = version_of(connection, folder)  # another process may have been faster
            if found == known:
                return
            step = known if found == 0 else found + 1
            script = folder / ("schema.sql" if found == 0 else f"migrations/{step:03}.sql")
            for statement in _statements(script.read_text("utf-8")):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {step}")


@contextmanager
def errors_of(path: Path) -> Iterator[None]:
    """Raise errors of SQLite as a StoreError that names the file."""
    try:
        yield
    except sqlite3.Error as error:
        raise kind_of(error)(f"{path}: {error}") from error


def kind_of(error: Exception) -> type[StoreError]:
    """Return the class of StoreError for an error of SQLite or of the system."""
    if is_damage(error):
        return DamageError
    return DiskError if is_disk(error) else StoreError


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All or nothing; takes the write lock at once, so that it cannot be lost midway."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # SQLite ends it itself on a full disk
            connection.execute("ROLLBACK")
        raise


def _statements(script: str) -> Iterator[str]:
    """Split at semicolons, except those within a trigger or text."""
    pending = ""
    for line in script.splitlines(keepends=True):
        pending += line
        if sqlite3.complete_statement(pending):
            yield pending
            pending = ""
