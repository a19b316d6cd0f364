"""The one writer of rows; it creates the store, migrates it, and replaces a damaged one."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import groupby
from operator import attrgetter
from pathlib import Path
from typing import Any, Self

from logger.errors import DamageError, DiskError, StoreError
from logger.rows import (
    AlarmChange,
    ClockChange,
    Excursion,
    FaultChange,
    Flag,
    Health,
    Memory,
    Row,
    Samples,
    SecondRows,
    Transmission,
    WeatherRow,
)
from logger.store import alarms, captures, faults, redate, salvage
from logger.store.archive_writer import ArchiveWriter
from logger.store.database import Database, connect
from logger.store.identity import ensure_id
from logger.store.log_damage import count_lost_commits
from logger.store.ownership import APPLICATION_ID
from logger.store.pushed import Pushed
from logger.store.reader import Store
from logger.store.schema import migrate
from logger.store.spool import Spool
from logger.store.sqlite import error_class
from logger.store.statements import (
    CLOSE,
    EXCURSION_FIGURES,
    HEALTH,
    INSERT_HEALTH,
    TRANSMISSION,
    UPSERT_EXCURSION,
    UPSERT_MEMORY,
    UPSERT_ONGOING,
    UPSERT_SECOND,
    UPSERT_TRANSMISSION,
    WATT_DECIMALS,
    round_figures,
    second_values,
)
from logger.store.tables import TRANSMISSIONS, Event
from logger.store.weather import WeatherRows
from logger.wording import count

log = logging.getLogger("mismatchd")

# A commit writes whole pages to the log, most of them for a row of some hundred bytes, so the
# smallest possible pages wear the card least.
PAGE_BYTES = 512
BUSY_MS = 1000  # a shutdown waits this long for a foreign lock, twice
MOST_HEALTH_ROWS = 400 * 24 * 60  # one row per minute: 400 days, whatever the clock says


class StoreWriter(Store):
    """Open with `open`, or with `salvage` if the file is damaged. Methods raise StoreError."""

    archive: ArchiveWriter

    def __init__(self, database: Database) -> None:
        super().__init__(database)
        ensure_id(database)
        self.archive = ArchiveWriter(database)
        committed = database.query_value("SELECT spooled FROM station")
        self.spool = Spool(database.path, self.station_id, committed)

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open for writing; create the folder and the file if needed.

        Raise StoreError: DamageError if the file is corrupted (then see `salvage`), DiskError if
        the disk is full.
        """
        with _translate_opening(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            salvage.complete(path)
            return cls(Database(_connect(path), path))._with_spooled()

    @classmethod
    def salvage(
        cls,
        path: Path,
        meanwhile: Callable[[], None] = lambda: None,
        *,
        skips_unreadable: bool = False,
    ) -> Self:
        """Set a damaged file aside and open a new one with the rows that could be read.

        A file that proves sound is only opened. `meanwhile` is called often; an exception from it
        ends the salvage, which can be repeated later. Raise StoreError: DiskError if the disk does
        not read the file, unless rows that it does not read are to be skipped.
        """
        with _translate_opening(path):
            new = salvage.begin(path)
            if not skips_unreadable and salvage.is_sound(path, meanwhile):
                return cls.open(path)
            connection = _connect(new)
            try:
                counts = salvage.salvage(
                    path, connection, meanwhile, skips_unreadable=skips_unreadable
                )
                salvage.check(connection, new)
            finally:
                connection.close()
            aside = salvage.exchange(path, "damaged")
            log.error(
                "%s is damaged and was renamed %s; the new store starts with %s"
                " (`mismatchd recompute` derives rows again from raw pairs)",
                path,
                aside.name if aside else "away",
                ", ".join(f"{name}: {n}" for name, n in counts.items()) or "nothing",
            )
            return cls(Database(_connect(path), path))._with_spooled()

    def _with_spooled(self) -> Self:
        """Store the rows that a killed run has left in the spool."""
        try:
            rows = self.spool.read()
            if rows:
                self.write(rows)
                pairs = sum(len(row.block) for row in rows if isinstance(row, Samples))
                log.info("%s: stored %s of the last run", self.spool.path, count(pairs, "raw pair"))
        except (DamageError, DiskError, sqlite3.Error, OSError):
            self.close()
            raise
        except (StoreError, ValueError) as error:  # they belong to another copy of the store
            log.error("%s: its rows cannot be stored and are dropped: %s", self.spool.path, error)
        return self

    def close(self) -> None:
        """Close the file; may be called twice."""
        self.spool.close()
        super().close()

    def write(self, rows: Sequence[Row], *, is_part: bool = False) -> list[Event]:
        """Store rows in order, all or none, and return those to be reported.

        A row written again replaces the stored one: transmissions by start, seconds by time, alarms
        by kind and time of raising, faults by time of opening.

        A fault is stored before the alarm that opens it, and reported after it.

        Samples of one commit make one segment, but times before and after a change of the clock do
        not mix. These are all rows of the spool, too, unless they are a part of those that wait.
        """
        stored: list[Event] = []
        change_ids: list[int] = []  # of faults, to be reported after the next alarms
        with self.database.transaction():
            for clock_changes, group in groupby(rows, lambda row: isinstance(row, ClockChange)):
                stretch = list(group)
                if clock_changes:  # which moves what was not yet reported
                    stored += self._fault_events(change_ids)
                else:
                    self._append_samples([row for row in stretch if isinstance(row, Samples)])
                for kind, same_kind in groupby(stretch, type):
                    if kind is FaultChange:
                        change_ids += self._change_faults(same_kind)
                        continue
                    stored += self._write(kind, list(same_kind))
                    if kind is AlarmChange:
                        stored += self._fault_events(change_ids)
            stored += self._fault_events(change_ids)
            if not is_part and self.spool.has_rows:
                self.database.execute("UPDATE station SET spooled = ?", (self.spool.number,))
        if not is_part:
            self.spool.committed = self.spool.number
        return stored

    def _write(self, kind: type[Row], rows: list[Any]) -> list[Event]:
        """Store rows of one kind, other than samples; return those to be reported."""
        if kind is Transmission:
            return self._upsert_transmissions(rows)
        if kind is AlarmChange:
            return [item for row in rows for item in alarms.apply_change(self.database, row)]
        if kind is SecondRows:
            self._upsert_seconds(rows)
        elif kind is Excursion:
            for row in rows:
                self._upsert_excursion(row)
        elif kind is Health:
            self._insert_health(rows)
        elif kind is WeatherRow:
            WeatherRows(self.database).upsert(rows)
        elif kind is Memory:
            memories = [(row.rule, row.content) for row in rows]
            self.database.execute_many(UPSERT_MEMORY, memories)
        elif kind is ClockChange:
            for row in rows:
                redate.apply_change(self.database, row)
            self.archive.reload()
        return []

    def _fault_events(self, change_ids: list[int]) -> list[Event]:
        """Return the events of changes of faults, and clear the list."""
        events: list[Event] = [faults.event_of(self.database, number) for number in change_ids]
        change_ids.clear()
        return events

    def _change_faults(self, rows: Iterable[Any]) -> list[int]:
        """Store changes of faults; return the ids of the new ones."""
        change_ids = [faults.apply_change(self.database, row) for row in rows]
        return [change_id for change_id in change_ids if change_id is not None]

    def rewrite(self, transmissions: Sequence[Transmission], seconds: Sequence[SecondRows]) -> None:
        """Store ended transmissions that were derived again; nothing is reported."""
        with self.database.transaction():
            self.database.execute_many(UPSERT_TRANSMISSION, TRANSMISSION.values(transmissions))
            self._upsert_seconds(seconds)

    def update(self, table: str, fields: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
        """Set `fields` of rows given as (id, *values). Rows that do not differ are not updated."""
        places = [f"?{place}" for place in range(2, len(fields) + 2)]
        changes = ", ".join(f"{name} = {place}" for name, place in zip(fields, places, strict=True))
        self.database.execute_many(
            f"UPDATE {table} SET {changes}"
            f" WHERE id = ?1 AND ({', '.join(fields)}) IS NOT ({', '.join(places)})",
            rows,
        )

    def _upsert_transmissions(self, rows: Sequence[Transmission]) -> list[Event]:
        for ended, group in groupby(rows, attrgetter("ended")):
            statement = UPSERT_TRANSMISSION if ended else UPSERT_ONGOING
            self.database.execute_many(statement, TRANSMISSION.values(list(group)))
        return [
            self.select(TRANSMISSIONS, "r.start_ns = ?", row.start_ns)[0]
            for row in rows
            if row.ended
        ]

    def _upsert_seconds(self, rows: Sequence[SecondRows]) -> None:
        if not rows:
            return
        starts = [row.start_ns for row in rows]
        ids = dict(
            self.database.query(
                "SELECT start_ns, id FROM transmissions WHERE start_ns BETWEEN ? AND ?",
                (min(starts), max(starts)),
            )
        )
        for start_ns in starts:
            if start_ns not in ids:
                raise StoreError(f"{self.path}: no transmission starts at {start_ns}")
        self.database.execute_many(UPSERT_SECOND, second_values(rows, ids))

    def _upsert_excursion(self, row: Excursion) -> None:
        """Store an excursion with its capture and its transmission, whose row was stored before."""
        database = self.database
        transmission = database.query_row(
            "SELECT id, channel FROM transmissions WHERE start_ns <= ?"
            " ORDER BY start_ns DESC LIMIT 1",
            (row.time_ns,),
        )
        former = database.query_row(
            "SELECT capture_id FROM excursions WHERE time_ns = ?", (row.time_ns,)
        )
        figures = round_figures(attrgetter(*EXCURSION_FIGURES)(row), WATT_DECIMALS).tolist()
        end_ns = row.time_ns + round(row.duration_ms * 1e6)
        capture_id = captures.around(database, row.time_ns, end_ns)
        links = (*(transmission or (None, None)), capture_id, faults.fault_of(database, row))
        database.execute(UPSERT_EXCURSION, (row.time_ns, *figures, *links))
        if former is not None and former[0] != capture_id:  # it had another length
            captures.release(database, former)

    def _append_samples(self, rows: list[Samples]) -> None:
        if rows:
            begins = [int(row.block.time_ns[0]) for row in rows if row.begins]
            self.archive.append([row.block for row in rows], begins)

    def _insert_health(self, rows: Sequence[Health]) -> None:
        self.database.execute_many(INSERT_HEALTH, HEALTH.values(rows))
        self.database.execute(
            "DELETE FROM health WHERE id <= (SELECT max(id) FROM health) - ?", (MOST_HEALTH_ROWS,)
        )

    def tidy(self, before_ns: int | None, most_bytes: int | None, remote: str | None = None) -> int:
        """Merge archived pairs; delete those past retention and return their number.

        Pairs before `before_ns` and the oldest beyond a size are deleted, none if `before_ns` is
        None; with a `remote`, only those that it has acknowledged.
        """
        self.archive.merge()
        if before_ns is None:
            return 0
        pushed = None if remote is None else Pushed(self.database, remote, self.station_id)
        return self.archive.expire(before_ns, most_bytes, pushed)

    def close_interrupted(self) -> int:
        """End transmissions left open by a crash, with the flag INTERRUPTED; return how many."""
        return self.database.execute(CLOSE, (int(Flag.INTERRUPTED),))

    def insert_calibration(self, calibration_id: str, text: str) -> None:
        """Store the content of a calibration that rows will refer to."""
        self.database.execute(
            "INSERT OR IGNORE INTO calibrations VALUES (?, ?)", (calibration_id, text)
        )


@contextmanager
def _translate_opening(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, sqlite3.Error) as error:
        kind = error_class(error)
        reason = "is damaged" if kind is DamageError else "cannot be opened"
        raise kind(f"{path}: {reason}: {error}") from error


def _read_log(path: Path) -> bytes:
    try:
        return path.with_name(path.name + "-wal").read_bytes()
    except FileNotFoundError:
        return b""


def _report_lost_commits(connection: sqlite3.Connection, path: Path, log_content: bytes) -> None:
    """Move the log of an earlier run into the file; log how many of its commits are unreadable."""
    _, frames, _ = connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
    page_bytes = connection.execute("PRAGMA page_size").fetchone()[0]
    lost = count_lost_commits(log_content, page_bytes, frames) if frames >= 0 else 0
    if lost:
        log.error(
            "%s-wal: %s cannot be read, by damage or by a power cut before the log was synced",
            path,
            count(lost, "commit"),
        )


def _connect(path: Path) -> sqlite3.Connection:
    """Open a connection for writing to a database of the present schema."""
    connection = connect(path, "rwc")
    try:
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")  # takes effect for a new file only
        if not connection.execute("PRAGMA application_id").fetchone()[0]:
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        log_content = _read_log(path)
        connection.execute("PRAGMA journal_mode = WAL")
        if log_content:
            _report_lost_commits(connection, path, log_content)
        connection.execute("PRAGMA synchronous = NORMAL")  # see service/log_sync
        migrate(connection)
        salvage.check(connection, path)
        connection.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
    except StoreError as error:
        connection.close()
        raise type(error)(f"{path}: {error}") from error
    except BaseException:
        connection.close()
        raise
    return connection
