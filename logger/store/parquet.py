"""Export of stored rows as Parquet, in row groups of bounded size. Needs pyarrow, an extra.

Times are timestamps in UTC with microseconds, days are dates. The types of the other columns are
those of the database, so they do not depend on the rows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import islice
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa
from pyarrow.parquet import ParquetWriter

from drivers.contract import SampleBlock
from logger.errors import UsageError
from logger.store.tables import DAYS, SECONDS, TRANSMISSIONS, Record, Table

TABLES = (TRANSMISSIONS, SECONDS, DAYS)
ROWS = 100_000  # of a row group
PAIRS = 1_000_000
TIME = pa.timestamp("us", "UTC")
BY_NAME = {"date": pa.date32(), "flags": pa.string()}
BY_DECLARATION = {"INTEGER": pa.int64(), "REAL": pa.float64(), "TEXT": pa.string()}


def write_records(
    table: Table, declared: Mapping[str, str], records: Iterable[Record], out: BinaryIO
) -> None:
    """Write records; `declared` are the types of the table's columns in the database.

    Raise UsageError if the table cannot have the format.
    """
    if table not in TABLES:
        names = ", ".join(other.name for other in TABLES)
        raise UsageError(f"parquet is not available for {table.name}, only for {names}, samples")
    schema = pa.schema([(column.name, _type(column.name, declared)) for column in table.columns])
    rows = iter(records)
    with ParquetWriter(out, schema, compression="zstd") as writer:
        while group := list(islice(rows, ROWS)):
            arrays = [
                pa.array([record.columns[field.name] for record in group], _written(field.type))
                for field in schema
            ]
            cast = [array.cast(field.type) for array, field in zip(arrays, schema, strict=True)]
            writer.write_batch(pa.record_batch(cast, schema=schema))


def write_samples(blocks: Callable[[], Iterable[SampleBlock]], out: BinaryIO) -> None:
    """Write raw pairs; each call of `blocks` starts from the beginning.

    Volts are unchanged. An auxiliary column that a pair lacks is null.
    """
    aux = list(dict.fromkeys(name for block in blocks() for name in block.aux))
    names = ["forward_v", "reflected_v", *aux]
    schema = pa.schema([("time_utc", TIME), *((name, pa.float64()) for name in names)])
    with ParquetWriter(out, schema, compression="zstd") as writer:
        group: list[SampleBlock] = []
        pairs = 0
        for block in blocks():
            group.append(block)
            pairs += len(block)
            if pairs >= PAIRS:
                writer.write_batch(_batch(group, aux, schema))
                group, pairs = [], 0
        if group:
            writer.write_batch(_batch(group, aux, schema))


def _batch(blocks: Sequence[SampleBlock], aux: Sequence[str], schema: pa.Schema) -> pa.RecordBatch:
    times = np.concatenate([block.time_ns for block in blocks]) // 1000
    columns = [pa.array(times).cast(TIME)]
    columns += [
        pa.array(np.concatenate([getattr(block, name) for block in blocks]))
        for name in ("forward_v", "reflected_v")
    ]
    for name in aux:
        parts = [block.aux.get(name, np.full(len(block), np.nan)) for block in blocks]
        columns.append(pa.array(np.concatenate(parts), from_pandas=True))  # NaN becomes null
    cast = [column.cast(field.type) for column, field in zip(columns, schema, strict=True)]
    return pa.record_batch(cast, schema=schema)


def _type(name: str, declared: Mapping[str, str]) -> Any:
    if name.endswith("_utc"):
        return TIME
    return BY_NAME.get(name) or BY_DECLARATION.get(declared.get(name, ""), pa.float64())


def _written(wanted: Any) -> Any:
    """Return the type in which the exported value of a column is given."""
    return pa.string() if wanted in (TIME, BY_NAME["date"]) else wanted
