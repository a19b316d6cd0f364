"""Export of stored rows as CSV, JSON lines or InfluxDB line protocol."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Sequence
from typing import TextIO

import msgspec
import numpy as np

from drivers.contract import SampleBlock
from logger.errors import UsageError
from logger.store.line_protocol import point
from logger.store.tables import Record, Table

FORMULA = ("=", "+", "-", "@")  # as which spreadsheets read a cell that begins so
FORMATS = ("csv", "jsonl", "line-protocol")


def write_records(
    table: Table, records: Iterable[Record], form: str, station: str, station_id: str, out: TextIO
) -> None:
    """Write records in one of FORMATS. Raise UsageError if the table cannot have the format."""
    if form == "csv":
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow([column.name for column in table.columns])
        for record in records:
            writer.writerow([clean_cell(value) for value in record.columns.values()])
    elif form == "jsonl":
        for record in records:
            out.write(msgspec.json.encode(record.columns).decode() + "\n")
    else:
        if table.measurement is None:
            raise UsageError(f"line-protocol is not available for {table.name}; use csv or jsonl")
        for record in records:
            out.write(point(table, record, station, station_id) + "\n")


def clean_cell(value: object) -> object:
    """Return a value of a cell; text cannot act as a formula, nor control a terminal."""
    if not isinstance(value, str):
        return value
    text = "".join(char if char.isprintable() or char == "\n" else " " for char in value)
    return f"'{text}" if text.startswith(FORMULA) else text


def write_samples(blocks: Callable[[], Iterable[SampleBlock]], form: str, out: TextIO) -> None:
    """Write raw pairs as CSV or JSON lines; each call of `blocks` starts from the beginning.

    Volts are written so that they read back unchanged. An auxiliary column that a pair lacks is
    empty, or null. Raise UsageError for another format.
    """
    if form == "line-protocol":
        raise UsageError("line-protocol is not available for samples; use csv or jsonl")
    aux = list(dict.fromkeys(name for block in blocks() for name in block.aux))
    names = ["time_utc", "forward_v", "reflected_v", *aux]
    if form == "csv":
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(names)
        for block in blocks():
            writer.writerows(_rows(block, aux, ""))
    else:
        for block in blocks():
            for row in _rows(block, aux, None):
                out.write(msgspec.json.encode(dict(zip(names, row, strict=True))).decode() + "\n")


def _rows(
    block: SampleBlock, aux: Sequence[str], absent: str | None
) -> Iterable[tuple[object, ...]]:
    times = np.datetime_as_string(block.time_ns.view("datetime64[ns]"), unit="us")
    columns: list[list[object]] = [block.forward_v.tolist(), block.reflected_v.tolist()]
    for name in aux:
        values = block.aux.get(name)
        columns.append(
            [absent] * len(block)
            if values is None
            else [absent if value != value else value for value in values.tolist()]
        )
    return zip([f"{time}Z" for time in times.tolist()], *columns, strict=True)
