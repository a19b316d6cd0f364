"""Stored rows as CSV, JSON lines or InfluxDB line protocol."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from typing import TextIO

import msgspec

from logger.errors import UsageError
from logger.line_protocol import point
from logger.store.tables import Record, Table

FORMATS = ("csv", "jsonl", "line-protocol")


def write_records(
    table: Table, records: Iterable[Record], form: str, station: str, out: TextIO
) -> None:
    """Write records in one of FORMATS. Raises UsageError where the format makes no sense."""
    if form == "csv":
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow([column.name for column in table.columns])
        writer.writerows(record.columns.values() for record in records)
    elif form == "jsonl":
        for record in records:
            out.write(msgspec.json.encode(record.columns).decode() + "\n")
    else:
        if table.measurement is None:
            raise UsageError(f"line-protocol is not available for {table.name}; use csv or jsonl")
        for record in records:
            out.write(point(table, record, station) + "\n")
