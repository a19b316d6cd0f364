"""The store: one SQLite file in write-ahead mode, one writer, many short readers."""

from __future__ import annotations

import logging
import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from itertools import groupby
from operator import attrgetter
from pathlib import Path
from typing import Any, Self, get_args, get_type_hints

import msgspec
import numpy as np
from numpy.typing import NDArray

from logger.blocks import Floats
from logger.errors import DamageError, StoreError, UsageError
from logger.rows import (
    Alarm,
    AlarmChange,
    AlarmEvent,
    Boot,
    ChangeKind,
    ClockChange,
    Excursion,
    Flag,
    Health,
    Memory,
    Row,
    Samples,
    Second,
    Transmission,
    WeatherRow,
)
from logger.store import captures, redate, salvage
from logger.store.archive import Archive
from logger.store.journal import WORK
from logger.store.schema import (
    bring_up_to_date,
    current_version,
    errors_of,
    kind_of,
    transaction,
    version_of,
)
from logger.store.tables import ALARMS, TRANSMISSIONS, Event, Record, Table

log = logging.getLogger("mismatchd")

BUSY_MS = 5000
# A commit writes whole pages to the log, most of them for a row of some hundred bytes, so the
# smallest possible pages wear the card least. A page written twice before the log reaches this size
# is written to the file once.
PAGE_BYTES = 512
LOG_BYTES = 8_192_000
PAGE_ROWS = 2000
WATT_DECIMALS = 4  # also for SWR and joules
VOLT_DECIMALS = 6
KEPT_HEALTH_ROWS = 400 * 24 * 60  # one row per minute: 400 days, whatever the clock says

DECIMALS = {"forward_v": VOLT_DECIMALS, "reflected_v": VOLT_DECIMALS}


class _Columns:
    """Columns for the fields of a kind of row: the plain ones, then figures, which are rounded."""

    def __init__(self, kind: type[msgspec.Struct], *left_out: str) -> None:
        fields = {name: kind for name, kind in get_type_hints(kind).items() if name not in left_out}
        figures = [name for name, kind in fields.items() if float in (kind, *get_args(kind))]
        plain = [name for name in fields if name not in figures]
        self.names = (*plain, *figures)
        self._plain, self._figures = attrgetter(*plain), attrgetter(*figures)
        self._decimals = np.array([DECIMALS.get(name, WATT_DECIMALS) for name in figures])

    def values(self, rows: Sequence[Any]) -> list[tuple[Any, ...]]:
        """Return the values to store of each row."""
        figures = _rounded([self._figures(row) for row in rows], self._decimals)
        return [
            (*self._plain(row), *line) for row, line in zip(rows, figures.tolist(), strict=True)
        ]


TRANSMISSION = _Columns(Transmission)
SECOND = _Columns(Second, "start_ns")
HEALTH = _Columns(Health)


def _upsert(table: str, fields: Sequence[str], key: str, *kept: str) -> str:
    names = ", ".join(fields)
    marks = ", ".join("?" * len(fields))
    others = [name for name in fields if name not in (key, *kept)]
    changes = ", ".join(f"{name} = excluded.{name}" for name in others)
    old = ", ".join(f"{table}.{name}" for name in others)
    new = ", ".join(f"excluded.{name}" for name in others)
    # Only a row that differs is updated, since forwarders resend updated rows.
    return (
        f"INSERT INTO {table} ({names}) VALUES ({marks})"
        f" ON CONFLICT ({key}) DO UPDATE SET {changes} WHERE ({old}) IS NOT ({new})"
    )


PUT_TRANSMISSION = _upsert("transmissions", TRANSMISSION.names, "start_ns")
# The state so far does not replace a completed transmission that is replayed. It is written every
# second, and an index on columns that it does not set needs no write.
PUT_SO_FAR = (
    _upsert("transmissions", TRANSMISSION.names, "start_ns", "ended")
    + " AND NOT transmissions.ended"
)
CLOSE = "UPDATE transmissions SET ended = 1, flags = flags | ? WHERE ended = 0"
PUT_MEMORY = _upsert("memories", ("rule", "content"), "rule")
PUT_SECOND = _upsert("seconds", (*SECOND.names, "transmission_id"), "time_ns")
# Known values stay if a row of the same moment lacks them.
_WEATHER = attrgetter(*WeatherRow.__struct_fields__)
PUT_WEATHER = (
    "INSERT INTO weather (time_ns, temperature_c, rain_mm, wind_m_s) VALUES (?, ?, ?, ?)"
    " ON CONFLICT (time_ns) DO UPDATE SET"
    " temperature_c = coalesce(excluded.temperature_c, temperature_c),"
    " rain_mm = coalesce(excluded.rain_mm, rain_mm),"
    " wind_m_s = coalesce(excluded.wind_m_s, wind_m_s)"
)
EXCURSION_FIGURES = ("duration_ms", "swr_peak", "swr_beside")
EXCURSION_LINKS = ("transmission_id", "channel", "capture_id")
PUT_EXCURSION = _upsert("excursions", ("time_ns", *EXCURSION_FIGURES, *EXCURSION_LINKS), "time_ns")


class Store:
    """Open with `Store.open` (the daemon) or `Store.reader` (all others)."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self.path = path
        self._file = _identity(path)
        self.archive = Archive(connection, path)
        self._data_version = self._one("PRAGMA data_version")
        log_pages = LOG_BYTES // self._one("PRAGMA page_size")
        connection.execute(f"PRAGMA wal_autocheckpoint = {log_pages}")

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open for writing; create the folder and the file if needed.

        Raise StoreError: DamageError if the file is corrupted (then see `salvaged`), DiskError if
        the disk is full.
        """
        with _opening(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            salvage.complete(path)
            return cls(_opened(path), path)

    @classmethod
    def salvaged(cls, path: Path, meanwhile: Callable[[], None] = lambda: None) -> Self:
        """Set a damaged file aside and open a new one with the rows that could be read.

        `meanwhile` is called often; an exception from it ends the salvage, which can be repeated
        later. Raise StoreError.
        """
        with _opening(path):
            connection = _opened(salvage.begin(path))
            try:
                counts = salvage.salvage(path, connection, meanwhile)
            finally:
                connection.close()
            aside = salvage.exchange(path)
            kept = ", ".join(f"{count} {name}" for name, count in counts.items()) or "nothing"
            log.error(
                "%s is damaged and was renamed %s; the new store starts with %s"
                " (`mismatchd recompute` derives rows again from raw pairs)",
                path,
                aside.name,
                kept,
            )
            return cls(_opened(path), path)

    @staticmethod
    def expect(path: Path) -> None:
        """Raise StoreError if there is no file."""
        if not path.exists():
            raise _missing(path)

    @classmethod
    def reader(cls, path: Path) -> Self:
        """Open for short reads (and acknowledgements) beside the daemon. Raise StoreError."""
        cls.expect(path)
        try:
            connection = _connect(path, "rw")
        except sqlite3.Error as error:
            raise StoreError(f"{path}: cannot be read: {error}") from error
        try:
            version = version_of(connection)
            if version == 0:  # another process is just creating it
                raise _missing(path)
            if version < current_version():
                raise StoreError(
                    f"{path}: written by an older version of this program;"
                    " `mismatchd run` brings it up to date"
                )
            return cls(connection, path)
        except sqlite3.Error as error:
            connection.close()
            raise StoreError(f"{path}: cannot be read: {error}") from error
        except StoreError:
            connection.close()
            raise

    @property
    def replaced(self) -> bool:
        """True if the path now refers to another file, because this one was found damaged."""
        return _identity(self.path) != self._file

    def close(self) -> None:
        """Close the file; may be called twice."""
        self._connection.close()

    # Writing.

    def write(self, rows: Sequence[Row]) -> list[Event]:
        """Store rows in order, all or none, and return those to be reported. Raise StoreError.

        A row written again replaces the stored one: transmissions by start, seconds by time, alarms
        by kind and time of raising.
        """
        with self._errors(), transaction(self._connection):
            return self._write(rows)

    def _write(self, rows: Sequence[Row]) -> list[Event]:
        """Store rows, those between two clock changes together.

        Samples of one commit make one segment, but times before and after a change of the clock do
        not mix.
        """
        stored: list[Event] = []
        for changed, group in groupby(rows, lambda row: isinstance(row, ClockChange)):
            some = list(group)
            if not changed:
                self._put_samples([row for row in some if isinstance(row, Samples)])
            stored += self.put(some)
        return stored

    def put(self, rows: Sequence[Row]) -> list[Event]:
        """Store rows other than samples, within a transaction of the caller; see `write`."""
        stored: list[Event] = []
        for kind, group in groupby(rows, type):
            some: list[Any] = list(group)
            if kind is Transmission:
                stored += self._put_transmissions(some)
            elif kind is Second:
                self._put_seconds(some)
            elif kind is AlarmChange:
                for row in some:
                    stored += self._put_change(row)
            elif kind is Excursion:
                for row in some:
                    self._put_excursion(row)
            elif kind is Health:
                self._put_health(some)
            elif kind is WeatherRow:
                self._connection.executemany(PUT_WEATHER, map(_WEATHER, some))
            elif kind is Memory:
                memories = [(row.rule, row.content) for row in some]
                self._connection.executemany(PUT_MEMORY, memories)
            elif kind is ClockChange:
                for row in some:
                    redate.change(self._connection, row)
                    self.archive.reload()
        return stored

    def put_again(self, transmissions: Sequence[Transmission], seconds: Sequence[Second]) -> None:
        """Store ended transmissions that were derived again; nothing is reported."""
        self._connection.executemany(PUT_TRANSMISSION, TRANSMISSION.values(transmissions))
        self._put_seconds(seconds)

    def _put_transmissions(self, rows: Sequence[Transmission]) -> list[Event]:
        for ended, group in groupby(rows, attrgetter("ended")):
            statement = PUT_TRANSMISSION if ended else PUT_SO_FAR
            self._connection.executemany(statement, TRANSMISSION.values(list(group)))
        return [
            self._record(TRANSMISSIONS, "r.start_ns = ?", row.start_ns) for row in rows if row.ended
        ]

    def _put_seconds(self, rows: Sequence[Second]) -> None:
        if not rows:
            return
        starts = [row.start_ns for row in rows]
        ids = dict(
            self._query(
                "SELECT start_ns, id FROM transmissions WHERE start_ns BETWEEN ? AND ?",
                (min(starts), max(starts)),
            )
        )
        for start_ns in starts:
            if start_ns not in ids:
                raise StoreError(f"{self.path}: no transmission starts at {start_ns}")
        lines = zip(SECOND.values(rows), starts, strict=True)
        self._connection.executemany(
            PUT_SECOND, [(*line, ids[start_ns]) for line, start_ns in lines]
        )

    def _put_excursion(self, row: Excursion) -> None:
        """Store an excursion with its capture and its transmission, whose row was stored before."""
        found = self._connection.execute(
            "SELECT id, channel FROM transmissions WHERE start_ns <= ?"
            " ORDER BY start_ns DESC LIMIT 1",
            (row.time_ns,),
        ).fetchone()
        before = self._connection.execute(
            "SELECT capture_id FROM excursions WHERE time_ns = ?", (row.time_ns,)
        ).fetchone()
        figures = _rounded(attrgetter(*EXCURSION_FIGURES)(row), WATT_DECIMALS).tolist()
        end_ns = row.time_ns + round(row.duration_ms * 1e6)
        capture_id = captures.around(self._connection, row.time_ns, end_ns)
        self._connection.execute(
            PUT_EXCURSION, (row.time_ns, *figures, *(found or (None, None)), capture_id)
        )
        if before is not None and before[0] != capture_id:  # it had another length
            captures.release(self._connection, before)

    def _put_samples(self, rows: list[Samples]) -> None:
        if rows:
            begins = [int(row.block.time_ns[0]) for row in rows if row.begins]
            self.archive.append([row.block for row in rows], begins)

    def _put_health(self, rows: Sequence[Health]) -> None:
        marks = ", ".join("?" * len(HEALTH.names))
        statement = f"INSERT INTO health ({', '.join(HEALTH.names)}) VALUES ({marks})"
        self._connection.executemany(statement, HEALTH.values(rows))
        self._connection.execute(
            "DELETE FROM health WHERE id <= (SELECT max(id) FROM health) - ?", (KEPT_HEALTH_ROWS,)
        )

    def _put_change(self, row: AlarmChange) -> list[Event]:
        execute = self._connection.execute
        if row.change == ChangeKind.RAISED:
            found = execute(
                "INSERT OR IGNORE INTO alarms"
                ' (kind, severity, raised_ns, value, "limit", transmission_id, detail, flags)'
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?) RETURNING id",
                (
                    row.kind,
                    row.severity,
                    row.time_ns,
                    *_rounded([row.value, row.limit], WATT_DECIMALS).tolist(),
                    None if row.start_ns is None else self._transmission_id(row.start_ns),
                    row.detail,
                    row.flags,
                ),
            ).fetchall()
            execute(
                "UPDATE alarms SET capture_id = ?"
                " WHERE kind = ? AND raised_ns = ? AND capture_id IS NULL",
                (
                    captures.around(self._connection, row.time_ns, row.time_ns),
                    row.kind,
                    row.time_ns,
                ),
            )
        else:
            found = execute(
                "UPDATE alarms SET cleared_ns = ?, flags = flags | ?"
                " WHERE id = (SELECT id FROM alarms"
                " WHERE kind = ? AND cleared_ns IS NULL AND raised_ns <= ?"
                " ORDER BY raised_ns DESC LIMIT 1) RETURNING id",
                (row.time_ns, row.flags, row.kind, row.time_ns),
            ).fetchall()
        return [self._changed(alarm_id, row.change, row.time_ns) for (alarm_id,) in found]

    def _changed(self, alarm_id: int, change: ChangeKind, time_ns: int) -> AlarmEvent:
        self._connection.execute(
            "INSERT INTO alarm_changes (alarm_id, change, time_ns) VALUES (?, ?, ?)",
            (alarm_id, change, time_ns),
        )
        return AlarmEvent(change, self._alarm(alarm_id))

    def tidy(self, before_ns: int | None, most_bytes: int | None) -> int:
        """Merge archived pairs; delete those past retention and return their number.

        Pairs before `before_ns` and the oldest beyond a size are deleted, none if `before_ns` is
        None.
        """
        with self._errors():
            self.archive.merge()
            return 0 if before_ns is None else self.archive.expire(before_ns, most_bytes)

    def close_interrupted(self) -> int:
        """End transmissions left open by a crash, with the flag INTERRUPTED; return how many."""
        with self._errors(), transaction(self._connection):
            return self._connection.execute(CLOSE, (int(Flag.INTERRUPTED),)).rowcount

    def last_ns(self, upto_ns: int = redate.HIGHEST) -> int | None:
        """Return the time of the last row not later than `upto_ns`, None if there is none."""
        with self._errors():
            return redate.last_ns(self._connection, upto_ns)

    def known_boot(self, name: str) -> tuple[Boot | None, int]:
        """Return the stored record of this start of the host, and a number of lost starts.

        The latter are the newly found starts that ended before their rows could be dated.
        """
        with self._errors(), transaction(self._connection):
            return redate.known_boot(self._connection, name)

    def remember(self, boot: Boot) -> None:
        """Store the state of trust in the host's clock."""
        with self._errors(), transaction(self._connection):
            redate.remember(self._connection, boot)

    def keep_calibration(self, calibration_id: str, text: str) -> None:
        """Store the content of a calibration that rows will refer to."""
        with self._errors(), transaction(self._connection):
            self._connection.execute(
                "INSERT OR IGNORE INTO calibrations VALUES (?, ?)", (calibration_id, text)
            )

    def acknowledge(self, alarm_id: int, time_ns: int) -> AlarmEvent:
        """Mark an alarm as acknowledged. Raise UsageError if it is unknown or was already."""
        try:
            with self._errors(), transaction(self._connection):
                found = self._connection.execute(
                    "SELECT acknowledged_ns, raised_ns FROM alarms WHERE id = ?", (alarm_id,)
                ).fetchone()
                if found is None:
                    raise UsageError(f"there is no alarm {alarm_id}; `mismatchd alarms` lists them")
                if found[0] is not None:
                    raise UsageError(f"alarm {alarm_id} has been acknowledged already")
                time_ns = max(time_ns, found[1])  # the wall clock may be behind the rows' times
                self._connection.execute(
                    "UPDATE alarms SET acknowledged_ns = ? WHERE id = ?", (time_ns, alarm_id)
                )
                return self._changed(alarm_id, ChangeKind.ACKNOWLEDGED, time_ns)
        except sqlite3.Error as error:
            raise StoreError(f"{self.path}: cannot be written: {error}") from error

    def note(self, time_ns: int, kind: str, text: str) -> int:
        """Insert an entry into the journal, also beside a running daemon; return its id."""
        with self._errors(), transaction(self._connection):
            row = self._connection.execute(
                "INSERT INTO journal (time_ns, kind, text) VALUES (?, ?, ?) RETURNING id",
                (time_ns, kind, text),
            ).fetchone()
        return int(row[0])

    # Deriving rows again.

    @contextmanager
    def all_or_nothing(self) -> Iterator[sqlite3.Connection]:
        """Open one transaction around several calls of `rewrite` or `put`. Raise StoreError."""
        with self._errors(), transaction(self._connection):
            yield self._connection

    def rewrite(self, table: str, fields: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
        """Set `fields` of rows given as (id, *values). Rows that do not differ are not updated."""
        places = [f"?{place}" for place in range(2, len(fields) + 2)]
        changes = ", ".join(f"{name} = {place}" for name, place in zip(fields, places, strict=True))
        with self._errors():
            self._connection.executemany(
                f"UPDATE {table} SET {changes}"
                f" WHERE id = ?1 AND ({', '.join(fields)}) IS NOT ({', '.join(places)})",
                rows,
            )

    def calibrations(self) -> dict[str, str | None]:
        """Return the calibrations used by transmissions, by id; None if the content is missing."""
        return dict(
            self._query(
                "SELECT named.id, c.text"
                " FROM (SELECT DISTINCT calibration_id AS id FROM transmissions) AS named"
                " LEFT JOIN calibrations AS c ON c.id = named.id ORDER BY named.id"
            )
        )

    def pages(
        self, table: str, fields: Sequence[str], most: int
    ) -> Iterator[list[tuple[Any, ...]]]:
        """Yield all rows as (id, *fields) in order of id, `most` at a time."""
        after = -1
        while True:
            page = self._query(
                f"SELECT id, {', '.join(fields)} FROM {table} WHERE id > ? ORDER BY id LIMIT ?",
                (after, most),
            )
            if page:
                yield page
            if len(page) < most:
                return
            after = page[-1][0]

    # Reading.

    def open_alarms(self) -> list[Alarm]:
        """Return the alarms that have not cleared, oldest first."""
        return self.alarms("r.cleared_ns IS NULL ORDER BY r.raised_ns")

    def work(self) -> list[int]:
        """Return the times of repairs and adjustments in the journal, in order."""
        marks = ", ".join("?" * len(WORK))
        rows = self._query(
            f"SELECT time_ns FROM journal WHERE kind IN ({marks}) ORDER BY time_ns", WORK
        )
        return [time_ns for (time_ns,) in rows]

    def memories(self) -> dict[str, bytes]:
        """Return the last stored memories of rules, by kind."""
        return dict(self._query("SELECT rule, content FROM memories"))

    def capture(self, capture_id: int) -> tuple[int, int]:
        """Return first and last nanosecond of a capture. Raise UsageError if there is none."""
        found = self._query_one(
            "SELECT first_ns, last_ns FROM captures WHERE id = ?", (capture_id,)
        )
        if found is None:
            raise UsageError(
                f"there is no capture {capture_id}; `mismatchd export captures` lists them"
            )
        return found[0], found[1]

    def changed_elsewhere(self) -> bool:
        """True if another process has written since the last call."""
        before, self._data_version = self._data_version, self._one("PRAGMA data_version")
        return bool(before != self._data_version)

    def last_change_id(self) -> int:
        """Return the id of the latest alarm change, 0 if there is none."""
        return int(self._one("SELECT coalesce(max(id), 0) FROM alarm_changes"))

    def acknowledgements(self, after: int, up_to: int) -> list[AlarmEvent]:
        """Return the acknowledgements among alarm changes (after, up_to], by any process."""
        rows = self._query(
            "SELECT alarm_id FROM alarm_changes WHERE id > ? AND id <= ?"
            " AND change = 'acknowledged' ORDER BY id",
            (after, up_to),
        )
        return [AlarmEvent(ChangeKind.ACKNOWLEDGED, self._alarm(alarm_id)) for (alarm_id,) in rows]

    def records(self, table: Table, since_ns: int, until_ns: int) -> Iterator[Record]:
        """Yield complete rows whose time lies in [since_ns, until_ns), in time order.

        They are read in pages, so that no long-lived reader keeps the write-ahead log from
        shrinking.
        """
        after = (since_ns, -1)
        while True:
            page = self.select(
                table,
                f"({table.time}, r.id) > (?, ?) AND {table.time} < ?"
                f" ORDER BY {table.time}, r.id LIMIT {PAGE_ROWS}",
                *after,
                until_ns,
            )
            yield from page
            if len(page) < PAGE_ROWS:
                return
            after = (page[-1].time_ns, page[-1].id)

    def select(self, table: Table, where: str, *values: Any) -> list[Record]:
        """Return complete rows of a table by a condition over `r`."""
        rows = self._query(f"{table.select} WHERE {table.complete} AND {where}", values)
        return [table.record(row) for row in rows]

    def alarms(self, where: str, *values: Any) -> list[Alarm]:
        """Return alarms by a condition over `r`."""
        return [Alarm(**record.columns) for record in self.select(ALARMS, where, *values)]

    def latest(
        self, table: str, fields: Sequence[str], time: str, since_ns: int, until_ns: int, most: int
    ) -> list[tuple[Any, ...]]:
        """Return `fields` of the latest `most` rows whose `time` lies in [since_ns, until_ns).

        The rows are in order of `time`. The names are inserted into the SQL unchecked.
        """
        rows = self._query(
            f"SELECT {', '.join(fields)} FROM {table} WHERE {time} >= ? AND {time} < ?"
            f" ORDER BY {time} DESC LIMIT ?",
            (since_ns, until_ns, most),
        )
        return rows[::-1]

    def counts(self) -> dict[str, int]:
        """Return the number of rows by table."""
        return {
            "transmissions": self._one("SELECT count(*) FROM transmissions WHERE ended"),
            "seconds": self._one("SELECT count(*) FROM seconds"),
            "alarms": self._one("SELECT count(*) FROM alarms"),
        }

    def _transmission_id(self, start_ns: int) -> int | None:
        row = self._query_one("SELECT id FROM transmissions WHERE start_ns = ?", (start_ns,))
        return None if row is None else int(row[0])

    def _alarm(self, alarm_id: int) -> Alarm:
        return Alarm(**self._record(ALARMS, "r.id = ?", alarm_id).columns)

    def _record(self, table: Table, where: str, value: int) -> Record:
        return table.record(self._query_one(f"{table.select} WHERE {where}", (value,)))

    def _one(self, statement: str) -> Any:
        return self._query_one(statement)[0]

    def _query_one(self, statement: str, values: Sequence[Any] = ()) -> Any:
        return next(iter(self._query(statement, values)), None)

    def _query(self, statement: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        with self._errors():
            return self._connection.execute(statement, values).fetchall()

    def _errors(self) -> AbstractContextManager[None]:
        return errors_of(self.path)


@contextmanager
def _opening(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, sqlite3.Error) as error:
        kind = kind_of(error)
        said = "is damaged" if kind is DamageError else "cannot be opened"
        raise kind(f"{path}: {said}: {error}") from error


def _opened(path: Path) -> sqlite3.Connection:
    """Open a connection for writing to a database of the present schema."""
    connection = _connect(path, "rwc")
    try:
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")  # takes effect for a new file only
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = NORMAL")
        bring_up_to_date(connection)
        salvage.check(connection, path)
    except StoreError as error:
        connection.close()
        raise StoreError(f"{path}: {error}") from error
    except BaseException:
        connection.close()
        raise
    return connection


def _missing(path: Path) -> StoreError:
    return StoreError(
        f"no store at {path} yet; has `mismatchd run` been started with this configuration?"
    )


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}",
        uri=True,
        isolation_level=None,
        check_same_thread=False,  # passed from the main thread to the keeper, never shared
    )
    connection.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
    return connection


def _rounded(values: Sequence[Any], decimals: NDArray[np.intp] | int) -> Floats:
    """Round figures for storage; None and infinities become NaN, which SQLite stores as NULL.

    The last bits of a mean depend on the cut of the blocks, and means of a bridge's printed
    decimals often lie halfway between two stored values: these must be rounded alike, too.
    """
    scale = 10.0 ** np.asarray(decimals)
    figures = np.array(values, dtype=np.float64)
    figures[np.isinf(figures)] = np.nan
    return np.rint((figures + 1e-4 / scale) * scale) / scale + 0.0  # no minus zero either
