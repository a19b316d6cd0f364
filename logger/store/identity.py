"""The station's id: made once in its store, so that it outlives a new name and a new host."""

from __future__ import annotations

from uuid import uuid4

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
