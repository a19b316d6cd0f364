"""Raw pairs as Parquet: segments of the archive in, the same segments out, bit for bit.

The columns are `time`, `forward` and `reflected` (codes, times their `_step_v`), or `forward_v` and
`reflected_v` for volts that are on no grid, and `aux` by name. The note of the file has what a
segment stores once. Bytes of codes in streams of their own, and a dictionary for the rest, make
zstd about as good as the archive's own format.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from drivers.contract import SampleBlock
from logger.blocks import Times
from logger.errors import RemoteError
from logger.fleet.parquet import UTC_US, Source, add_note, open_file, schema_of
from logger.store.archive import Archive, Segment
from logger.store.database import Database
from logger.store.segments import Grid, decode_times, encode, grids

log = logging.getLogger("mismatchd")

GROUP_PAIRS = 524_288  # of a row group, at least
PAGE_PAIRS = 131_072  # fewer need more headers
LEVEL = 19  # of zstd: a million pairs a second, and a day has half a million
SCHEMA = schema_of(
    {
        "time": UTC_US,
        "nanoseconds": pa.int16(),  # beyond whole microseconds, if any
        "forward": pa.int32(),
        "reflected": pa.int32(),
        "forward_step_v": pa.float64(),
        "reflected_step_v": pa.float64(),
        "forward_v": pa.float64(),
        "reflected_v": pa.float64(),
        "aux": pa.map_(pa.string(), pa.float64()),
    }
)
ENCODING = {
    "time": "DELTA_BINARY_PACKED",
    "forward": "BYTE_STREAM_SPLIT",
    "reflected": "BYTE_STREAM_SPLIT",
}
DICTIONARY = [
    "nanoseconds",
    "forward_step_v",
    "reflected_step_v",
    "forward_v",
    "reflected_v",
    "aux.key_value.key",
    "aux.key_value.value",
]


class Row(NamedTuple):
    """A row of `segments`."""

    first_ns: int
    last_ns: int
    pairs: int
    merged: int
    data: bytes


class _Entry(msgspec.Struct, array_like=True, frozen=True):
    """What a file notes of a segment; `moved_ns`: its pairs' times minus those in its data."""

    first_ns: int
    last_ns: int
    pairs: int
    merged: int
    moved_ns: int
    step_v: tuple[float, float]
    full_scale_v: float | None
    clock_step: bool
    gap: bool
    grids: list[tuple[float, bool] | None]
    aux: list[str]
    digest: str  # of the pairs


def write(rows: Iterable[Row], digest: str, path: Path) -> int:
    """Write segments to a file; return the number of pairs. Damaged ones are left out."""
    groups: list[list[_Entry]] = []
    tables: list[Any] = []
    group: list[_Entry] = []
    options = {
        "column_encoding": ENCODING,
        "use_dictionary": DICTIONARY,
        "max_rows_per_page": PAGE_PAIRS,
    }
    with pq.ParquetWriter(
        path, SCHEMA, compression="zstd", compression_level=LEVEL, **options
    ) as writer:

        def flush() -> None:
            if group:
                table = pa.concat_tables(tables)
                writer.write_table(table, row_group_size=max(1, len(table)))
                groups.append(list(group))
            tables.clear()
            group.clear()

        for row in rows:
            block = Segment(row.first_ns, row.last_ns, row.data).pairs() if row.pairs else None
            if block is None:
                continue
            entry, table = _described(row, block)
            group.append(entry)
            tables.append(table)
            if sum(map(len, tables)) >= GROUP_PAIRS:
                flush()
        flush()
        add_note(writer, digest, groups)
    return sum(entry.pairs for entries in groups for entry in entries)


def read(source: Source, name: str) -> Iterator[Row]:
    """Yield the segments of a file. Raise RemoteError if it is damaged."""
    file, note = open_file(source, name)
    try:
        groups = msgspec.convert(note, list[list[_Entry]])
        with file:
            for number, entries in enumerate(groups):
                table, begin = file.read_row_group(number), 0
                for entry in entries:
                    block = _block(table.slice(begin, entry.pairs), entry)
                    if _digest(block) != entry.digest:
                        raise RemoteError(f"{name}: the pairs are not those that were written")
                    begin += entry.pairs
                    original = replace(block, time_ns=block.time_ns - entry.moved_ns)
                    yield Row(
                        entry.first_ns, entry.last_ns, entry.pairs, entry.merged, encode(original)
                    )
    except (OSError, pa.ArrowException, msgspec.ValidationError) as error:
        raise RemoteError(f"{name}: damaged: {error}") from error


class PushedTimes(Archive):
    """Archive of which only the times are read, from a station's files by name, in order of time.

    A file is decoded as it is needed, so that years take no more memory than their files.
    """

    def __init__(self, database: Database, files: Mapping[str, bytes]) -> None:
        super().__init__(database)
        self._files = files
        self._entries = {name: _entries(content, name) for name, content in files.items()}
        self._place = {
            entry.first_ns: (name, number)
            for name, entries in self._entries.items()
            for number, entry in enumerate(entries)
        }
        self._of_file = lru_cache(maxsize=2)(self._read)

    def times(self) -> Iterator[tuple[int, int, Times | None]]:
        """Yield the first and last time of each segment, and the times of its pairs."""
        for name, entries in self._entries.items():
            for entry, times in zip(entries, self._of_file(name), strict=True):
                yield entry.first_ns, entry.last_ns, times

    def segment_at(self, first_ns: int) -> Any:
        """Return the segment that begins with a pair at this time, if any."""
        name, number = self._place[first_ns]
        return _SegmentTimes(self._of_file(name)[number])

    def index(self, since_ns: int, until_ns: int) -> list[tuple[int, int, int]]:
        """Return first time, last time and number of pairs of segments that begin in a period."""
        return [
            (entry.first_ns, entry.last_ns, entry.pairs)
            for entries in self._entries.values()
            for entry in entries
            if since_ns <= entry.first_ns < until_ns and entry.pairs
        ]

    def spans(self) -> dict[str, tuple[int, int]]:
        """Return the first and last time of the pairs of each file that has some."""
        return {
            name: (entries[0].first_ns, entries[-1].last_ns)
            for name, entries in self._entries.items()
            if entries
        }

    def _read(self, name: str) -> list[Times]:
        file, _ = open_file(self._files[name], name)
        with file:
            table = file.read(columns=["time", "nanoseconds"])
        times = _times(table)
        ends = np.cumsum([entry.pairs for entry in self._entries[name]])
        return np.split(times, ends[:-1])


class _SegmentTimes(NamedTuple):
    """A segment of which only the times are known."""

    content: Times

    def times(self) -> Times:
        """Return the times of the pairs."""
        return self.content


def _entries(content: bytes, name: str) -> list[_Entry]:
    """Return what a file notes of its segments. Raise RemoteError."""
    file, note = open_file(content, name)
    file.close()
    return [entry for group in msgspec.convert(note, list[list[_Entry]]) for entry in group]


def check(path: Path) -> None:
    """Read a file to its end. Raise RemoteError if it is not what was written."""
    for _ in read(path, path.name):
        pass


def _described(row: Row, block: SampleBlock) -> tuple[_Entry, Any]:
    moved_ns = row.first_ns - int(decode_times(row.data)[0])
    scales = grids(row.data)
    columns: dict[str, Any] = {"time": pa.array(block.time_ns // 1000).cast(UTC_US)}
    rest = (block.time_ns % 1000).astype(np.int16)
    if rest.any():
        columns["nanoseconds"] = pa.array(rest)
    ports = ("forward", block.forward_v), ("reflected", block.reflected_v)
    for number, ((name, volts), grid) in enumerate(zip(ports, list(scales), strict=True)):
        codes = None if grid is None else grid.codes(volts)
        if grid is None or codes is None or not _is_same(grid.values(codes), volts):
            scales[number] = None
            columns[f"{name}_v"] = pa.array(volts)
        else:
            columns[name] = pa.array(codes)
            columns[f"{name}_step_v"] = pa.array(np.full(len(volts), grid.volts))
    if block.aux:
        columns["aux"] = _map(block)
    arrays = [
        columns.get(field.name, pa.nulls(len(block), field.type)).cast(field.type)
        for field in SCHEMA
    ]
    entry = _Entry(
        row.first_ns,
        row.last_ns,
        len(block),
        row.merged,
        moved_ns,
        block.step_v,
        block.full_scale_v,
        block.clock_step,
        block.gap,
        [None if grid is None else (grid.step, grid.is_part) for grid in scales],
        list(block.aux),
        _digest(block),
    )
    return entry, pa.Table.from_arrays(arrays, schema=SCHEMA)


def _map(block: SampleBlock) -> Any:
    count = len(block.aux)
    names = pa.array(list(block.aux)).take(pa.array(np.tile(np.arange(count), len(block))))
    values = np.stack(list(block.aux.values()), axis=1).ravel()
    offsets = np.arange(0, count * len(block) + 1, count, dtype=np.int32)
    return pa.MapArray.from_arrays(pa.array(offsets), names, pa.array(values))


def _block(table: Any, entry: _Entry) -> SampleBlock:
    times = _times(table)
    volts = [
        _numpy(table[f"{name}_v"]) if grid is None else Grid(*grid).values(_numpy(table[name]))
        for name, grid in zip(("forward", "reflected"), entry.grids, strict=True)
    ]
    values = np.empty(0)
    if entry.aux:
        maps = table["aux"].combine_chunks()
        values = _numpy(maps.items if hasattr(maps, "items") else maps.chunk(0).items)
        begin = maps.offsets[0].as_py()
        values = values[begin : begin + entry.pairs * len(entry.aux)]
    columns = values.reshape(-1, max(1, len(entry.aux)))
    return SampleBlock(
        times,
        volts[0],
        volts[1],
        {name: np.ascontiguousarray(columns[:, n]) for n, name in enumerate(entry.aux)},
        entry.step_v,
        entry.full_scale_v,
        entry.clock_step,
        entry.gap,
    )


def _times(table: Any) -> Times:
    times = _numpy(table["time"].cast(pa.int64())) * 1000
    rest = table["nanoseconds"]
    if rest.null_count < len(rest):
        times = times + np.nan_to_num(_numpy(rest.cast(pa.float64()))).astype(np.int64)
    return np.asarray(times)


def _numpy(column: Any) -> Any:
    return column.to_numpy()


def _is_same(a: Any, b: Any) -> bool:
    return np.array_equal(a.view(np.int64), b.view(np.int64))


def _digest(block: SampleBlock) -> str:
    digest = hashlib.blake2b(digest_size=8)
    for column in (block.time_ns, block.forward_v, block.reflected_v, *block.aux.values()):
        digest.update(np.ascontiguousarray(column).tobytes())
    return digest.hexdigest()
