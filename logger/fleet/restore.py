"""Makes a station's store again from the object store."""

from __future__ import annotations

import tempfile
from pathlib import Path

from logger.errors import UsageError
from logger.fleet import pairs, rows
from logger.fleet.remote import Remote
from logger.store.backup import restore
from logger.store.lock import StoreLock
from logger.store.pushed import station_folder
from logger.store.sqlite import insert
from logger.store.writer import StoreWriter

SEGMENT = insert("segments", pairs.Row._fields)


def choose(remote: Remote, station_id: str | None) -> str:
    """Return the station of an id, or the only one there. Raise UsageError, RemoteError."""
    if station_id is not None:
        return station_id
    ids = remote.stations()
    if len(ids) == 1:
        return ids[0]
    if not ids:
        raise UsageError(f"{remote.url} has no station; check url and prefix")
    listed = ", ".join(ids[:5]) + (", ..." if len(ids) > 5 else "")
    raise UsageError(f"{remote.url} has {len(ids)} stations; choose one with --id: {listed}")


def fetch(store: Path, remote: Remote, station_id: str) -> Path | None:
    """Put a station's store in place; return the path at which the former one was set aside.

    Raise StoreError, if a daemon uses the store, too; RemoteError.
    """
    StoreLock(store).release()  # before it takes minutes
    folder = station_folder(station_id)
    with tempfile.TemporaryDirectory(prefix="mismatchd-", dir=store.parent) as name:
        file, made = Path(name) / "object.parquet", Path(name) / "made.sqlite"
        remote.get(f"{folder}/station.parquet", file)
        ((_, [station]),) = rows.read(file)
        with StoreWriter.open(made) as writer, writer.database.transaction():
            writer.database.execute("UPDATE station SET id = ?", (station_id,))
            for name in station[3].splitlines():
                remote.get(f"{folder}/{name}", file)
                _insert(writer, name.partition("/")[0], file)
        return restore(store, made)


def _insert(writer: StoreWriter, table: str, file: Path) -> None:
    if table == "pairs":
        for row in pairs.read(file):
            writer.database.execute(SEGMENT, row)
        return
    if table not in {pushed.name for pushed in rows.TABLES}:
        return  # of a newer program
    for columns, page in rows.read(file):
        names = [f'"{column}"' for column in columns]
        writer.database.execute_many(insert(table, names), page)
