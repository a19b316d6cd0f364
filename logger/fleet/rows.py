"""Rows of the store as Parquet, and back: each column as the database has it.

Times are timestamps of nanoseconds, the rest has the type that the database declares.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq

from logger.errors import RemoteError
from logger.fleet.parquet import UTC_NS, Source, add_note, open_file, schema_of
from logger.store.database import Database
from logger.store.pushed import digest_of
from logger.store.tables import is_dated

PAGE_ROWS = 50_000
LEVEL = 9
TYPES = {
    "INTEGER": pa.int64(),
    "REAL": pa.float64(),
    "TEXT": pa.string(),
    "BLOB": pa.binary(),
}
MONTH = "strftime('%Y-%m', {time} / 1000000000, 'unixepoch')"


class PushedTable(NamedTuple):
    """A table that is pushed; `time` is the column of its rows' times, None if they have none.

    `is_followed`: changes are followed by id, as for forwarders, since there are too many rows to
    read them all.
    """

    name: str
    time: str | None
    is_followed: bool = False

    @property
    def condition(self) -> str:
        """SQL condition of the rows that are pushed: of a followed table, those that stay there."""
        return is_dated(self.time) if self.is_followed and self.time else "TRUE"


TABLES = (
    PushedTable("calibrations", None),
    PushedTable("memories", None),
    PushedTable("transmissions", "start_ns", is_followed=True),
    PushedTable("seconds", "time_ns", is_followed=True),
    PushedTable("health", "time_ns", is_followed=True),
    PushedTable("alarms", "raised_ns"),
    PushedTable("alarm_changes", "time_ns"),
    PushedTable("faults", "opened_ns"),
    PushedTable("fault_changes", "time_ns"),
    PushedTable("excursions", "time_ns"),
    PushedTable("captures", "first_ns"),
    PushedTable("journal", "time_ns"),
    PushedTable("line_losses", "time_ns"),
    PushedTable("verifications", "time_ns"),
    PushedTable("weather", "time_ns"),
    PushedTable("sessions", "begun_ns"),
    PushedTable("runs", "first_ns"),
)


def months(database: Database, table: PushedTable, where: str, *values: int) -> list[str]:
    """Return the months of the rows of a condition, as 2026-03; "" for a table without times."""
    if table.time is None:
        return [""]
    month = MONTH.format(time=table.time)
    rows = database.query(
        f"SELECT DISTINCT {month} FROM {table.name} WHERE ({where})"
        f" AND {table.condition} ORDER BY 1",
        values,
    )
    return [row[0] for row in rows]


def pages(database: Database, table: PushedTable, month: str) -> Iterator[list[tuple[Any, ...]]]:
    """Yield the rows of a month in pages, in order of time.

    Between pages no reader keeps the write-ahead log from shrinking.
    """
    if table.time is None:
        yield database.query(f"SELECT * FROM {table.name} ORDER BY 1")
        return
    first_ns, last_ns = database.query_row(
        "SELECT strftime('%s', ?1 || '-01') * 1000000000,"
        " strftime('%s', ?1 || '-01', '+1 month') * 1000000000 - 1",
        (month,),
    )
    after = (first_ns, -1)
    while True:
        page = database.query(
            f"SELECT {table.time}, rowid, * FROM {table.name}"
            f" WHERE ({table.time}, rowid) > (?, ?) AND {table.time} <= ?"
            f" AND {table.condition}"
            f" ORDER BY {table.time}, rowid LIMIT {PAGE_ROWS}",
            (*after, last_ns),
        )
        yield [row[2:] for row in page]
        if len(page) < PAGE_ROWS:
            return
        after = page[-1][:2]


def columns_of(database: Database, table: str) -> dict[str, str]:
    """Return the declared type of each column."""
    return dict(database.query("SELECT name, type FROM pragma_table_info(?)", (table,)))


def digest(database: Database, table: PushedTable, month: str) -> str:
    """Return the digest of the rows of a month and their columns."""
    columns = list(columns_of(database, table.name))
    return digest_of(chain([columns], pages(database, table, month)))


def write_month(
    database: Database, table: PushedTable, month: str, digest: str, path: Path
) -> None:
    """Write the rows of a month, of this digest, to a file."""
    write(columns_of(database, table.name), pages(database, table, month), digest, path)


def write(
    declared: dict[str, str], rows: Iterable[Sequence[tuple[Any, ...]]], digest: str, path: Path
) -> None:
    """Write pages of rows to a file."""
    schema = schema_for(declared)
    ordered = [field.name for field in schema if field.type in (UTC_NS, pa.int64())]
    with pq.ParquetWriter(
        path,
        schema,
        compression="zstd",
        compression_level=LEVEL,
        use_dictionary=[name for name in declared if name not in ordered],
        column_encoding=dict.fromkeys(ordered, "DELTA_BINARY_PACKED"),
    ) as writer:
        for page in rows:
            if page:
                arrays = [
                    _array(column, field.type)
                    for column, field in zip(zip(*page, strict=True), schema, strict=True)
                ]
                writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
        add_note(writer, digest)


def schema_for(declared: Mapping[str, str]) -> pa.Schema:
    """Return the schema of columns of declared types."""
    return schema_of({name: _type(name, text) for name, text in declared.items()})


def read(source: Source, name: str) -> Iterator[tuple[list[str], list[tuple[Any, ...]]]]:
    """Yield the names of the columns and rows, by pages. Raise RemoteError if it is damaged."""
    file, _ = open_file(source, name)
    try:
        with file:
            for number in range(file.num_row_groups):
                table = file.read_row_group(number)
                columns = [
                    (column.cast(pa.int64()) if column.type == UTC_NS else column).to_pylist()
                    for column in table.columns
                ]
                yield table.column_names, list(zip(*columns, strict=True))
    except (OSError, pa.ArrowException, msgspec.DecodeError) as error:
        raise RemoteError(f"{name}: damaged: {error}") from error


def read_columns(source: Source, name: str, columns: Sequence[str]) -> list[Any]:
    """Return columns as arrays (n,): times as integers, the rest as floats, NaN for null.

    Raise RemoteError if the file is damaged.
    """
    file, _ = open_file(source, name)
    try:
        with file:
            table = file.read(columns=[*columns])
        return [
            table[column].cast(pa.int64() if column.endswith("_ns") else pa.float64()).to_numpy()
            for column in columns
        ]
    except (OSError, KeyError, pa.ArrowException) as error:
        raise RemoteError(f"{name}: damaged: {error}") from error


def _type(name: str, declared: str) -> Any:
    return UTC_NS if name.endswith("_ns") else TYPES[declared]


def _array(values: Sequence[Any], kind: Any) -> Any:
    return pa.array(values, pa.int64()).cast(kind) if kind == UTC_NS else pa.array(values, kind)
