"""The database: rows in, once and in order; what others need to know of them out."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import groupby
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, cast

import msgspec
import numpy as np

from logger.errors import StoreError, UsageError
from logger.rows import AlarmChange, Flag, Row, Second, Transmission
from logger.store.schema import bring_up_to_date, current_version, transaction, version_of
from logger.store.tables import ALARMS, TABLES, TRANSMISSIONS, Table

BUSY_S = 5.0  # wait this long for another writer
WAL_BYTES = 16 << 20  # after a burst the write-ahead log shrinks to this
WATTS, VOLTS = 4, 6  # decimals kept of watts, SWR, joules, kilohertz; of volts


class Stored(NamedTuple):
    """What the store took in and others may want to hear of: an ended transmission, or a change
    (`raised`, `cleared`, `acknowledged`) of an alarm, with the columns as they are exported."""

    table: str
    change: str | None
    columns: dict[str, Any]


class OpenAlarm(NamedTuple):
    """An alarm that is raised and not yet cleared."""

    id: int
    kind: str
    severity: str
    raised_ns: int
    acknowledged_ns: int | None
    value: float | None
    limit: float | None
    detail: str


class Counts(NamedTuple):
    """How much is in the store. `last_transmission` has the exported columns, None if none."""

    transmissions: int
    seconds: int
    alarms: int
    open_alarms: int
    last_transmission: dict[str, Any] | None


class Store:
    """One connection. Use it from one thread at a time; close it, or use it in `with`.

    All methods raise StoreError if the database cannot be read or written; a failed write has
    left nothing behind and may be tried again.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection
        self._seen_version = self._data_version()

    @classmethod
    def open(cls, path: Path) -> Store:
        """For reading and writing; creates or migrates it first. Raises StoreError."""
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"{path.parent}: cannot be created: {error.strerror}") from error
        return cls._connected(path, "rwc")

    @classmethod
    def read_only(cls, path: Path) -> Store:
        """For reading beside the daemon. Raises StoreError, also if there is no store yet."""
        missing = StoreError(
            f"no store at {path} yet; has `mismatchd run` been started with this configuration?"
        )
        if not path.exists():
            raise missing
        store = cls._connected(path, "ro")
        version = version_of(store._connection)
        if version == current_version():
            return store
        store.close()
        if version == 0:
            raise missing
        raise StoreError(f"{path}: of an older version; `mismatchd run` brings it up to date")

    @classmethod
    def _connected(cls, path: Path, mode: str) -> Store:
        connection = None
        try:
            connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?mode={mode}",
                uri=True,
                timeout=BUSY_S,
                isolation_level=None,
                check_same_thread=False,
            )
            if mode == "rwc":
                connection.execute("PRAGMA journal_mode = WAL")
                # A power cut may cost the last seconds, never the database.
                connection.execute("PRAGMA synchronous = NORMAL")
                connection.execute(f"PRAGMA journal_size_limit = {WAL_BYTES}")
                bring_up_to_date(connection)
            else:
                version_of(connection)
            return cls(path, connection)
        except (sqlite3.Error, StoreError) as error:
            if connection is not None:
                connection.close()
            raise StoreError(f"{path}: {error}") from error

    def close(self) -> None:
        """Let go of the database; may be called twice."""
        self._connection.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # the doors to SQLite

    def query(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """All rows of a SELECT. Nothing stays open, so a reader never holds the log back."""
        with self._errors():
            return self._connection.execute(sql, values).fetchall()

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: all or nothing."""
        with self._errors(), transaction(self._connection):
            yield self._connection

    @contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise StoreError(f"{self.path}: {error}") from error

    # rows in

    def write(self, rows: Sequence[Row]) -> list[Stored]:
        """Store rows in their order, all in one transaction. Writing them again changes nothing.

        A transmission is known by its start and may be written many times while it goes on; a
        second by its time; an alarm by kind and time. Returns what ended or changed by it. Raises
        StoreError, also for a second whose transmission was never written.
        """
        stored: list[Stored] = []
        with self.writing():
            for kind, run in groupby(rows, type):
                if kind is Second:
                    self._write_seconds(cast("list[Second]", list(run)))
                    continue
                for row in run:
                    if isinstance(row, Transmission):
                        stored += self._write_transmission(row)
                    else:
                        stored += self._write_alarm_change(cast(AlarmChange, row))
        return stored

    def _write_transmission(self, row: Transmission) -> list[Stored]:
        values = [
            _rounded(value) if isinstance(value, float) else value
            for value in msgspec.structs.astuple(row)
        ]
        self._connection.execute(_PUT_TRANSMISSION, values)
        return [self._stored(TRANSMISSIONS, "start_ns", row.start_ns)] if row.ended else []

    def _write_seconds(self, run: list[Second]) -> None:
        columns = dict(zip(_SECOND, zip(*map(msgspec.structs.astuple, run), strict=True), strict=True))
        ids = {start_ns: self._transmission_id(start_ns) for start_ns in set(columns["start_ns"])}
        if None in ids.values():
            raise StoreError(f"{self.path}: a second came before its transmission")
        columns["start_ns"] = tuple(map(ids.__getitem__, columns["start_ns"]))
        for name in _SECOND_FLOATS:
            scale = 10.0 ** (VOLTS if name.endswith("_v") else WATTS)
            values = np.rint(np.array(columns[name], dtype=np.float64) * scale) / scale + 0.0
            values[np.isinf(values)] = np.nan  # SQLite keeps NaN as NULL
            columns[name] = tuple(values.tolist())
        self._connection.executemany(_PUT_SECOND, zip(*columns.values(), strict=True))

    def _write_alarm_change(self, row: AlarmChange) -> list[Stored]:
        execute = self._connection.execute
        if row.change == "raised":
            transmission_id = None if row.start_ns is None else self._transmission_id(row.start_ns)
            changed = execute(
                'INSERT INTO alarms (kind, severity, raised_ns, value, "limit", transmission_id,'
                " detail) VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING RETURNING id",
                (
                    row.kind,
                    row.severity,
                    row.time_ns,
                    _rounded(row.value),
                    _rounded(row.limit),
                    transmission_id,
                    row.detail,
                ),
            ).fetchall()
        else:
            # An alarm raised later is not meant: then this is an old recording played again.
            changed = execute(
                "UPDATE alarms SET cleared_ns = ?1"
                " WHERE kind = ?2 AND cleared_ns IS NULL AND raised_ns <= ?1 RETURNING id",
                (row.time_ns, row.kind),
            ).fetchall()
        return [self._change(alarm_id, row.change, row.time_ns) for (alarm_id,) in changed]

    def _change(self, alarm_id: int, change: str, time_ns: int) -> Stored:
        self._connection.execute(
            "INSERT INTO alarm_changes (alarm_id, change, time_ns) VALUES (?, ?, ?)",
            (alarm_id, change, time_ns),
        )
        return self._stored(ALARMS, "id", alarm_id, change)

    def _stored(self, table: Table, key: str, value: int, change: str | None = None) -> Stored:
        (row,) = self.query(f"{table.select} WHERE r.{key} = ?", (value,))
        return Stored(table.name, change, table.record(row).columns)

    def _transmission_id(self, start_ns: int) -> int | None:
        found = self.query("SELECT id FROM transmissions WHERE start_ns = ?", (start_ns,))
        return int(found[0][0]) if found else None

    def close_interrupted(self) -> int:
        """End what a crash left going on, with the flag INTERRUPTED; how many there were."""
        with self.writing() as connection:
            return connection.execute(
                "UPDATE transmissions SET ended = 1, flags = flags | ? WHERE ended = 0",
                (int(Flag.INTERRUPTED),),
            ).rowcount

    def keep_calibration(self, calibration_id: str, text: str) -> None:
        """Keep the text of a calibration, so that its rows can be understood for ever."""
        with self.writing() as connection:
            connection.execute(
                "INSERT INTO calibrations VALUES (?, ?) ON CONFLICT DO NOTHING",
                (calibration_id, text),
            )

    # alarms

    def open_alarms(self) -> list[OpenAlarm]:
        """The alarms that are raised and not cleared, oldest first."""
        rows = self.query(
            'SELECT id, kind, severity, raised_ns, acknowledged_ns, value, "limit", detail'
            " FROM alarms WHERE cleared_ns IS NULL ORDER BY raised_ns, id"
        )
        return [OpenAlarm(*row) for row in rows]

    def acknowledge(self, alarm_id: int, time_ns: int) -> Stored:
        """Note that a person has seen an alarm. Raises UsageError if there is no such alarm or it
        is acknowledged already."""
        with self.writing() as connection:
            found = connection.execute(
                "SELECT acknowledged_ns FROM alarms WHERE id = ?", (alarm_id,)
            ).fetchone()
            if found is None:
                raise UsageError(f"there is no alarm {alarm_id}; `mismatchd alarms` lists them")
            if found[0] is not None:
                raise UsageError(f"alarm {alarm_id} is acknowledged already")
            connection.execute(
                "UPDATE alarms SET acknowledged_ns = ? WHERE id = ?", (time_ns, alarm_id)
            )
            return self._change(alarm_id, "acknowledged", time_ns)

    def changes_after(self, change_id: int) -> list[tuple[int, Stored]]:
        """Alarm changes after the one with this id, in order, each with its id."""
        changes = self.query(
            "SELECT id, alarm_id, change FROM alarm_changes WHERE id > ? ORDER BY id", (change_id,)
        )
        return [
            (found, self._stored(ALARMS, "id", alarm_id, change))
            for found, alarm_id, change in changes
        ]

    def last_change_id(self) -> int:
        """The id of the newest alarm change, 0 if there is none."""
        return int(self.query("SELECT coalesce(max(id), 0) FROM alarm_changes")[0][0])

    def changed_elsewhere(self) -> bool:
        """Whether another connection has written since the last call; costs microseconds."""
        seen, self._seen_version = self._seen_version, self._data_version()
        return seen != self._seen_version

    def _data_version(self) -> int:
        return int(self.query("PRAGMA data_version")[0][0])

    def counts(self) -> Counts:
        """How much there is, for a summary."""
        (numbers,) = self.query(
            "SELECT (SELECT count(*) FROM transmissions WHERE ended = 1),"
            " (SELECT count(*) FROM seconds), (SELECT count(*) FROM alarms),"
            " (SELECT count(*) FROM alarms WHERE cleared_ns IS NULL)"
        )
        last = self.query(
            f"{TRANSMISSIONS.select} WHERE {TRANSMISSIONS.complete} ORDER BY r.start_ns DESC LIMIT 1"
        )
        return Counts(*numbers, TRANSMISSIONS.record(last[0]).columns if last else None)


def _rounded(value: float | None) -> float | None:
    """To four decimals, never NaN, infinite or minus zero."""
    return None if value is None or not math.isfinite(value) else round(value, WATTS) + 0.0


def _put(table: str, key: str, columns: Sequence[str], only: str) -> str:
    """An upsert that touches a row only if it changes it: forwarders send again what is touched."""
    others = [column for column in columns if column != key]
    return (
        f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
        f" ON CONFLICT ({key}) DO UPDATE SET {', '.join(f'{c} = excluded.{c}' for c in others)}"
        f" WHERE {only} AND ({', '.join(f'{table}.{c}' for c in others)})"
        f" IS NOT ({', '.join(f'excluded.{c}' for c in others)})"
    )


_SECOND = Second.__struct_fields__
_SECOND_FLOATS = [name for name in _SECOND if name.endswith(("_w", "_v")) or "swr" in name]
_PUT_SECOND = _put(
    "seconds",
    "time_ns",
    ["transmission_id" if name == "start_ns" else name for name in _SECOND],
    "TRUE",
)
# What is known so far does not replace the whole of a transmission that is played again.
_PUT_TRANSMISSION = _put(
    "transmissions",
    "start_ns",
    Transmission.__struct_fields__,
    "excluded.ended >= transmissions.ended",
)


def table_named(name: str) -> Table:
    """The exported table of this name. Raises UsageError."""
    try:
        return TABLES[name]
    except KeyError:
        raise UsageError(f"there is no table {name!r}; there are {', '.join(TABLES)}") from None
