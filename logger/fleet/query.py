"""SQL over the objects of an archive, by DuckDB: a view for each table, with the hive columns.

Only objects that the last push of a station names are read, so that a push in progress is not seen.
"""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from typing import Any, NamedTuple, TextIO

import duckdb
import msgspec
import pyarrow as pa

from logger.errors import RemoteError, UsageError
from logger.fleet import pairs, rows
from logger.fleet.parquet import UTC_NS, schema_of
from logger.fleet.remote import Remote
from logger.fleet.restore import PAIRS
from logger.fleet.station import Station
from logger.store.export import clean_cell
from logger.store.pushed import station_folder
from logger.store.schema import migrate

PAGE_ROWS = 10_000
WIDEST = 40  # characters of a column of text
STATIONS = "stations"  # view of what the stations say of themselves
PARTITION = {"station_id": "VARCHAR", "year": "INTEGER", "month": "INTEGER"}


class Answer(NamedTuple):
    """Columns of a result, and its rows by pages."""

    columns: list[str]
    pages: Iterator[list[tuple[Any, ...]]]


def query(remote: Remote, stations: Sequence[Station], statement: str) -> Answer:
    """Return the result of a SELECT over the stations. Raise UsageError, RemoteError."""
    connection = duckdb.connect()
    try:
        statements = duckdb.extract_statements(statement)
        if [part.type for part in statements] != [duckdb.StatementType.SELECT]:
            raise UsageError("only one SELECT is accepted: queries change nothing")
        connection.execute("SET TimeZone = 'UTC'")
        _add_views(connection, remote, stations, statement)
        result = connection.execute(statement)
        columns = [column[0] for column in result.description]
        return Answer(columns, iter(lambda: result.fetchmany(PAGE_ROWS), []))
    except duckdb.IOException as error:
        raise RemoteError(f"{remote.url}: {' '.join(str(error).split())}") from error
    except duckdb.Error as error:
        raise UsageError(str(error).strip()) from error


def write(answer: Answer, form: str, out: TextIO) -> None:
    """Write a result as `table`, `csv` or `jsonl`."""
    if form == "csv":
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(answer.columns)
        for page in answer.pages:
            writer.writerows([clean_cell(_plain(value)) for value in row] for row in page)
    elif form == "jsonl":
        for page in answer.pages:
            for row in page:
                named = dict(zip(answer.columns, map(_plain, row), strict=True))
                out.write(msgspec.json.encode(named, enc_hook=str).decode() + "\n")
    else:
        _write_table(answer, out)


def _write_table(answer: Answer, out: TextIO) -> None:
    """Write aligned columns: numbers to the right, the width of each as of the first page."""
    widths: list[int] = []
    for page in answer.pages:
        lines = [[_text(value) for value in row] for row in page]
        if not widths:
            columns = zip(answer.columns, *lines, strict=True)
            widths = [min(max(map(len, column)), WIDEST) for column in columns]
            is_number = [isinstance(value, int | float) for value in page[0]]
            _write_line(answer.columns, widths, is_number, out)
        for line in lines:
            _write_line(line, widths, is_number, out)
    if not widths:
        out.write("  ".join(answer.columns) + "\n")


def _write_line(
    cells: Sequence[str], widths: Sequence[int], is_number: Sequence[bool], out: TextIO
) -> None:
    parts = (
        cell.rjust(width) if number else cell.ljust(width)
        for cell, width, number in zip(cells, widths, is_number, strict=True)
    )
    out.write("  ".join(parts).rstrip() + "\n")


def _add_views(
    connection: Any, remote: Remote, stations: Sequence[Station], statement: str
) -> None:
    connection.register_filesystem(remote.files)
    schema = schema_of({"station_id": pa.string(), "name": pa.string(), "pushed_ns": UTC_NS})
    lines = [{"station_id": s.id, "name": s.name, "pushed_ns": s.pushed_ns} for s in stations]
    connection.register(STATIONS, pa.Table.from_pylist(lines, schema))
    objects: dict[str, list[str]] = {}
    for station in stations:
        folder = f"{remote.url}/{station_folder(station.id)}"
        for name in station.objects:
            objects.setdefault(name.split("/")[0], []).append(f"{folder}/{name}")
    for table, empty in _empty_tables().items():
        names = objects.get(table)
        # A view reads the end of each file, so those that are not asked for stay empty.
        if not names or table not in statement.lower():
            connection.register(table, empty)
            continue
        kinds = ", ".join(
            f"'{column}': {kind}" for column, kind in PARTITION.items() if column in names[0]
        )
        connection.execute(
            f'CREATE VIEW "{table}" AS SELECT * FROM read_parquet({names!r},'
            f" hive_partitioning = true, hive_types = {{{kinds}}}, union_by_name = true)"
        )


def _empty_tables() -> dict[str, pa.Table]:
    """Return all tables, with their columns."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        migrate(connection)
        schemas = {
            table.name: rows.schema_for(
                dict(
                    connection.execute(
                        "SELECT name, type FROM pragma_table_info(?)", (table.name,)
                    ).fetchall()
                )
            )
            for table in rows.TABLES
        }
    partition = [
        pa.field("station_id", pa.string()),
        pa.field("year", pa.int32()),
        pa.field("month", pa.int32()),
    ]
    return {
        name: pa.schema([*schema, *partition]).empty_table()
        for name, schema in {**schemas, PAIRS: pairs.SCHEMA}.items()
    }


def _plain(value: Any) -> Any:
    """Return a value as it is written: times as in exports."""
    if hasattr(value, "isoformat") and hasattr(value, "tzinfo"):
        return value.isoformat(timespec="microseconds").replace("+00:00", "Z")
    return value


def _text(value: Any) -> str:
    if value is None:
        return ""
    text = f"{value:.6g}" if isinstance(value, float) else str(clean_cell(_plain(value)))
    return text if len(text) <= WIDEST else text[: WIDEST - 1] + "…"
