"""Creation of the schema, and step-by-step migration of older ones."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

from logger.errors import NewerStoreError
from logger.store.sqlite import transaction

FOLDER = Path(__file__).parent


def current_version(folder: Path = FOLDER) -> int:
    """Return the version of `schema.sql`: that of the newest `migrations/NNN.sql`, or 1."""
    return max((int(path.stem) for path in folder.glob("migrations/*.sql")), default=1)


def version_of(connection: sqlite3.Connection, folder: Path = FOLDER) -> int:
    """Return the version of a database, 0 if empty. Raise NewerStoreError."""
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    current = current_version(folder)
    if version > current:
        raise NewerStoreError(
            f"the store has version {version}, this program supports {current}; use a newer program"
        )
    return version


def migrate(connection: sqlite3.Connection, folder: Path = FOLDER) -> None:
    """Create or migrate; each step is one transaction. Raise StoreError, sqlite3.Error."""
    current = current_version(folder)
    while version_of(connection, folder) < current:
        with transaction(connection):
            version = version_of(connection, folder)  # another process may have been faster
            if version == current:
                return
            step = version + 1 if version else current
            script = folder / (f"migrations/{step:03}.sql" if version else "schema.sql")
            for statement in _statements(script.read_text("utf-8")):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {step}")


def _statements(script: str) -> Iterator[str]:
    """Split at semicolons, except those within a trigger or text."""
    pending = ""
    for line in script.splitlines(keepends=True):
        pending += line
        if sqlite3.complete_statement(pending):
            yield pending
            pending = ""
