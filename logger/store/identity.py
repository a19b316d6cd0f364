"""The station's id: made once in its store, so that it outlives a new name and a new host."""

from __future__ import annotations

from pathlib import Path
from uuid import uuid4

from logger.errors import StoreError
from logger.store.database import Database


def ensure_id(database: Database) -> str:
    """Return the station's id, made now if the store has none. Raise StoreError."""
    database.execute(
        "INSERT INTO station (id) SELECT ? WHERE NOT EXISTS (SELECT 1 FROM station)",
        (str(uuid4()),),
    )
    return station_id(database)


def station_id(database: Database) -> str:
    """Return the station's id, a UUID of version 4. Raise StoreError."""
    return str(database.query_value("SELECT id FROM station"))


def read_id(path: Path) -> str:
    """Return the id of the station of a store, empty while the store cannot be read."""
    try:
        with Database.reader(path) as database:
            return station_id(database)
    except StoreError:
        return ""
