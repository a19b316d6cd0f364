"""Copies what a station has stored to the object store, as far as that has not acknowledged it.

Each object is noted in the store once it is acknowledged. So an interrupted push continues where it
was, and one that is repeated sends only what has changed.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from logger.config.load import Sections
from logger.fleet import pairs, rows, station
from logger.fleet.remote import Remote
from logger.fleet.station import Settings
from logger.store.database import Database
from logger.store.identity import station_id
from logger.store.outbox import Outbox
from logger.store.pushed import (
    Pushed,
    pairs_object,
    rows_object,
    station_folder,
)
from logger.store.tables import FORWARDED
from logger.utc import DAY_NS, format_ns

FOLLOWED = {table.name: table for table in FORWARDED}


class PushTotals(NamedTuple):
    """Objects and bytes sent; dates of which pairs came after part of them had expired here."""

    objects: int
    bytes: int
    late: list[str]


class Push:
    """One push of a station's store. Methods raise StoreError, RemoteError."""

    def __init__(
        self, database: Database, remote: Remote, name: str, settings: Settings, now_ns: int
    ) -> None:
        self._database = database
        self._remote = remote
        self._name = name
        self._settings = settings
        self._now_ns = now_ns
        self._station_id = station_id(database)
        self._pushed = Pushed(database, remote.url, self._station_id)
        self._outbox = Outbox(database)
        self._objects = self._bytes = 0
        self._late: list[str] = []

    def run(self) -> PushTotals:
        """Push what has changed."""
        self._outbox.begin(self._remote.url)
        positions = {
            name: self._outbox.position(self._remote.url, table) for name, table in FOLLOWED.items()
        }
        newest = {
            name: self._database.query_value(f"SELECT coalesce(max(id), 0) FROM {name}")
            for name in FOLLOWED
        }
        retracted = self._database.query_value("SELECT coalesce(max(id), 0) FROM retractions")
        with tempfile.TemporaryDirectory(prefix="mismatchd-") as folder:
            file = Path(folder) / "object.parquet"
            for table in rows.TABLES:
                for month in self._changed(table):
                    self._push_rows(table, month, file)
            for day, digest in sorted(self._pushed.days().items()):
                self._push_pairs(day, digest, file)
            self._push_station(file)
        # A change since then is found by the next push.
        self._outbox.retracted(self._remote.url, retracted)
        for name, followed in FOLLOWED.items():
            position = self._outbox.position(self._remote.url, followed)
            if position.rewrites == positions[name].rewrites:
                done = type(position)(newest[name], rewrites=position.rewrites)
                self._outbox.save(self._remote.url, followed, done, self._now_ns)
        return PushTotals(self._objects, self._bytes, self._late)

    def _changed(self, table: rows.PushedTable) -> list[str]:
        """Return the months of a table that may have changed."""
        database = self._database
        if not table.is_followed:
            known = {
                name.split("year=")[1][:4] + "-" + name.split("month=")[1][:2]
                for name in self._pushed.names()
                if name.split("/")[1] == table.name and "year=" in name
            }
            return sorted(known.union(rows.months(database, table, "TRUE")))
        at = self._outbox.position(self._remote.url, FOLLOWED[table.name])
        where = "id > ? OR (id > ? AND id <= ?)"
        changed = rows.months(database, table, where, at.live, at.gap_after, at.gap_upto)
        gone = database.query(
            f"SELECT DISTINCT {rows.MONTH.format(time='time_ns')} FROM retractions"
            " WHERE followed = ?",
            (table.name,),
        )
        return sorted({*changed, *(month for (month,) in gone)})

    def _push_rows(self, table: rows.PushedTable, month: str, file: Path) -> None:
        digest = rows.digest(self._database, table, month)
        name = rows_object(self._station_id, table.name, month)
        if digest == self._pushed.digest(name):
            return
        rows.write_month(self._database, table, month, digest, file)
        self._put(file, name, digest)

    def _push_pairs(self, day: int, digest: str, file: Path) -> None:
        name = pairs_object(self._station_id, day)
        if digest == self._pushed.digest(name):
            return
        if self._pushed.is_partial(name):  # what is left must not replace all of them
            self._late.append(format_ns(day * DAY_NS)[:10])
            return
        pairs.write(self._segments(day), digest, file)
        pairs.check(file)  # the archive may delete them once this is acknowledged
        self._put(file, name, digest)

    def _segments(self, day: int) -> Iterator[pairs.Row]:
        firsts = self._database.query(
            "SELECT first_ns FROM segments WHERE first_ns >= ? AND first_ns < ? ORDER BY first_ns",
            (day * DAY_NS, (day + 1) * DAY_NS),
        )
        for (first_ns,) in firsts:
            yield from map(
                pairs.Row._make,
                self._database.query(
                    "SELECT first_ns, last_ns, pairs, merged, data FROM segments"
                    " WHERE first_ns = ?",
                    (first_ns,),
                ),
            )

    def _push_station(self, file: Path) -> None:
        folder = station_folder(self._station_id)
        objects = {
            name.removeprefix(f"{folder}/"): self._pushed.digest(name) or ""
            for name in self._pushed.names()
            if name != f"{folder}/{station.NAME}"
        }
        station.write(file, self._name, self._now_ns, objects, self._settings)
        self._put(file, f"{folder}/{station.NAME}", "")

    def _put(self, file: Path, name: str, digest: str) -> None:
        self._remote.put(file, name)
        self._pushed.note(name, digest, self._now_ns)
        self._objects += 1
        self._bytes += file.stat().st_size


def push(store: Path, remote: Remote, sections: Sections, now_ns: int) -> PushTotals:
    """Push a station's store, also while its daemon writes. Raise StoreError, RemoteError."""
    with Database.editor(store) as database:
        settings = station.settings_of(sections)
        return Push(database, remote, sections.station.name, settings, now_ns).run()
