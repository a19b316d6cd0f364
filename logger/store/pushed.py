"""Objects that the object store of `store.remote` has acknowledged, and what they are called.

    station_id=UUID/station.parquet                                    the station, written last
    station_id=UUID/TABLE/TABLE.parquet                                a table without times
    station_id=UUID/TABLE/year=YYYY/month=MM/TABLE.parquet             the rows of a month
    station_id=UUID/pairs/year=YYYY/month=MM/YYYY-MM-DD.parquet        the raw pairs of a day

A name depends on time only, so what is pushed again replaces what was there.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby

import msgspec

from logger.store.database import Database
from logger.utc import DAY_NS, format_ns, parse_time

SEGMENTS = "SELECT first_ns, last_ns, pairs, merged, length(data) FROM segments ORDER BY first_ns"


def station_folder(station_id: str) -> str:
    """Return the prefix of a station's objects."""
    return f"station_id={station_id}"


def rows_object(station_id: str, table: str, month: str) -> str:
    """Return the name of a month's rows, `month` as 2026-03, or of all rows if it is empty."""
    return f"{station_folder(station_id)}/{table}/{_partition(month)}{table}.parquet"


def pairs_object(station_id: str, day: int) -> str:
    """Return the name of the pairs of a day, counted from 1970-01-01."""
    date = format_ns(day * DAY_NS)[:10]
    return f"{station_folder(station_id)}/pairs/{_partition(date)}{date}.parquet"


def _partition(date: str) -> str:
    return f"year={date[:4]}/month={date[5:7]}/" if date else ""


def digest_of(rows: Iterable[object]) -> str:
    """Return a digest of rows that tells whether they are the same."""
    import hashlib  # takes 3.5 MiB

    digest = hashlib.blake2b(digest_size=16)
    for row in rows:
        digest.update(msgspec.msgpack.encode(row))
    return digest.hexdigest()


class Pushed:
    """What one remote has acknowledged of a station. Methods raise StoreError."""

    def __init__(self, database: Database, remote: str, station_id: str) -> None:
        self._database = database
        self._remote = remote.rstrip("/")
        self._station_id = station_id

    def digest(self, name: str) -> str | None:
        """Return the digest of an object's rows when it was acknowledged, None if it never was."""
        row = self._database.query_row(
            "SELECT digest FROM pushed WHERE object = ?", self._key(name)
        )
        return None if row is None else str(row[0])

    def names(self) -> list[str]:
        """Return the names of all acknowledged objects of the station, in order."""
        place = f"{self._remote}/{station_folder(self._station_id)}/"
        rows = self._database.query(
            "SELECT object FROM pushed WHERE substr(object, 1, ?) = ? ORDER BY object",
            (len(place), place),
        )
        return [url.removeprefix(f"{self._remote}/") for (url,) in rows]

    def note(self, name: str, digest: str, now_ns: int) -> None:
        """Store that an object was acknowledged."""
        self._database.execute(
            "INSERT OR REPLACE INTO pushed (object, digest, pushed_ns) VALUES (?, ?, ?)",
            (*self._key(name), digest, now_ns),
        )

    def is_partial(self, name: str) -> bool:
        """True if pairs of this object have expired here."""
        rows = self._database.query(
            "SELECT 1 FROM pushed WHERE object = ? AND is_partial", self._key(name)
        )
        return bool(rows)

    def last_ns(self) -> int | None:
        """Return when the remote last acknowledged an object, UTC ns."""
        place = f"{self._remote}/"
        (last_ns,) = self._database.query_row(
            "SELECT max(pushed_ns) FROM pushed WHERE substr(object, 1, ?) = ?", (len(place), place)
        )
        return None if last_ns is None else int(last_ns)

    def days(self) -> dict[int, str]:
        """Return the digest of the archived pairs of each day that has some, here or there.

        Pairs at a time that is archived are never changed, so that their extent tells them.
        """
        known = {
            parse_time(name[-18:-8], 0) // DAY_NS: digest_of(())
            for name in self.names()
            if name.split("/")[1] == "pairs"
        }
        rows = self._database.query(SEGMENTS)
        return known | {
            day: digest_of(segments)
            for day, segments in groupby(rows, lambda row: int(row[0] // DAY_NS))
        }

    def acknowledged_days(self) -> set[int]:
        """Return the days that are over and whose pairs are acknowledged as they are now."""
        days = self.days()
        return {
            day
            for day, digest in days.items()
            if day < max(days) and self.digest(pairs_object(self._station_id, day)) == digest
        }

    def expired(self, days: Iterable[int]) -> None:
        """Store that pairs of acknowledged days have been deleted: what is left is acknowledged."""
        left = self.days()
        for day in days:
            self._database.execute(
                "UPDATE pushed SET digest = ?1, is_partial = 1 WHERE object = ?2 AND digest != ?1",
                (left[day], *self._key(pairs_object(self._station_id, day))),
            )

    def _key(self, name: str) -> tuple[str]:
        return (f"{self._remote}/{name}",)
