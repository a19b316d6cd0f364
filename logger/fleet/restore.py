"""Makes a station's store again from the object store."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from functools import cache
from pathlib import Path

from logger.errors import RemoteError, UsageError
from logger.fleet import pairs, rows
from logger.fleet.remote import Remote
from logger.fleet.station import NAME, Station
from logger.fleet.station import read as parse
from logger.store.backup import restore
from logger.store.database import Database
from logger.store.lock import StoreLock
from logger.store.pushed import station_folder
from logger.store.reader import Store
from logger.store.schema import migrate
from logger.store.sqlite import insert
from logger.store.writer import StoreWriter

SEGMENT = insert("segments", pairs.Row._fields)
PAIRS = "pairs"


def choose(remote: Remote, station_id: str | None) -> str:
    """Return the station of an id, or the only one there. Raise UsageError, RemoteError."""
    if station_id is not None:
        return station_id
    ids = remote.stations()
    if len(ids) == 1:
        return ids[0]
    if not ids:
        raise UsageError(f"{remote.url} has no station; check the address")
    listed = ", ".join(ids[:5]) + (", ..." if len(ids) > 5 else "")
    raise UsageError(f"{remote.url} has {len(ids)} stations; choose one with --id: {listed}")


def fetch(store: Path, remote: Remote, station_id: str) -> Path | None:
    """Put a station's store in place; return the path at which the former one was set aside.

    Raise StoreError, if a daemon uses the store, too; RemoteError.
    """
    StoreLock(store).release()  # before it takes minutes
    with tempfile.TemporaryDirectory(prefix="mismatchd-", dir=store.parent) as name:
        made = Path(name) / "made.sqlite"
        station = read_station(remote, station_id)
        with rebuild(made, remote, station, station.objects):
            pass
        return restore(store, made)


def read_station(remote: Remote, station_id: str) -> Station:
    """Return a station as of its last push. Raise RemoteError."""
    ((_, station),) = read_stations(remote, [station_id])
    if isinstance(station, RemoteError):
        raise station
    return station


def read_stations(
    remote: Remote, station_ids: Sequence[str]
) -> Iterator[tuple[str, Station | RemoteError]]:
    """Yield ids and stations as of their last push, or why one cannot be read."""
    names = [f"{station_folder(station_id)}/{NAME}" for station_id in station_ids]
    for station_id, (_, content) in zip(station_ids, remote.try_read(names), strict=True):
        try:
            if isinstance(content, RemoteError):
                raise content
            yield station_id, parse(station_id, content)
        except RemoteError as error:
            yield station_id, error


def last_calibration(database: Database) -> str | None:
    """Return the content of the calibration of the last transmission, None if it is not known."""
    row = database.query_row(
        "SELECT c.text FROM calibrations AS c WHERE c.id ="
        " (SELECT calibration_id FROM transmissions ORDER BY start_ns DESC LIMIT 1)"
    )
    return None if row is None else str(row[0])


@contextmanager
def rebuild(
    path: Path, remote: Remote, station: Station, names: Iterable[str]
) -> Iterator[StoreWriter]:
    """Yield a new store with the rows of some of a station's objects. Raise RemoteError."""
    with StoreWriter.open(path) as writer:
        with writer.database.transaction():
            writer.database.execute("UPDATE station SET id = ?", (station.id,))
            _insert_all(writer.database, remote, station, names)
        yield writer


@contextmanager
def load(remote: Remote, station: Station, names: Iterable[str]) -> Iterator[Store]:
    """Yield rows of some of a station's objects, in a file that need not survive a power cut.

    Raise RemoteError.
    """
    with tempfile.TemporaryDirectory(prefix="mismatchd-") as folder:
        path = Path(folder) / "station.sqlite"
        path.write_bytes(_empty_store())
        with Database.editor(path) as database:
            database.execute("PRAGMA journal_mode = MEMORY")
            database.execute("PRAGMA synchronous = OFF")
            with database.transaction():
                _insert_all(database, remote, station, names)
            yield Store(database)


@cache
def _empty_store() -> bytes:
    """Return a file without rows, which takes longer to create than to copy."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        migrate(connection)
        return connection.serialize()


def _insert_all(database: Database, remote: Remote, station: Station, names: Iterable[str]) -> None:
    folder = station_folder(station.id)
    for name, content in remote.read(f"{folder}/{name}" for name in names):
        _insert(database, name, content)


def _insert(database: Database, name: str, content: bytes) -> None:
    table = name.split("/")[1]
    if table == PAIRS:
        for row in pairs.read(content, name):
            database.execute(SEGMENT, row)
        return
    if table not in {pushed.name for pushed in rows.TABLES}:
        return  # of a newer program
    for columns, page in rows.read(content, name):
        names = [f'"{column}"' for column in columns]
        database.execute_many(insert(table, names), page)
