"""Parquet files of the object store: their types, and what is noted in each.

A digest of the stored rows from which a file was made is in its metadata.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq

from logger.errors import RemoteError

FORMAT = 1
KEY = b"mismatchd"  # of the note in a file's metadata
UTC_NS = pa.timestamp("ns", "UTC")
UTC_US = pa.timestamp("us", "UTC")
Source = Path | bytes  # a file, or its content


def schema_of(columns: dict[str, Any]) -> pa.Schema:
    """Return a schema of columns by name; all may be null."""
    return pa.schema(list(columns.items()))


def add_note(writer: pq.ParquetWriter, digest: str, content: Any = None) -> None:
    """Note format, digest and content in a file that is complete."""
    note = {"format": FORMAT, "digest": digest, "content": content}
    writer.add_key_value_metadata({KEY: msgspec.json.encode(note)})


def open_file(source: Source, name: str) -> tuple[pq.ParquetFile, Any]:
    """Return an open file and the content noted in it. Raise RemoteError if it is not ours."""
    try:
        file = pq.ParquetFile(pa.BufferReader(source) if isinstance(source, bytes) else source)
        note = msgspec.json.decode((file.metadata.metadata or {})[KEY])
    except (KeyError, OSError, pa.ArrowException) as error:
        raise RemoteError(f"{name}: not a file of this program, or damaged") from error
    if note["format"] != FORMAT:
        raise RemoteError(f"{name}: written by a newer program; use that one")
    return file, note["content"]
