"""Rows that wait for their commit, safe from a kill: frames in a file beside the store.

A commit writes pages of several tables, of the log and of its index; a frame is appended to one
page. So rows that nobody waits for are spooled soon and committed late, many at a time. Each frame
has a number, and each commit stores that of the last frame whose rows it holds: what is above is
what the next run has to store.

A frame is its length and CRC-32 (4 bytes each, little-endian) and, as MessagePack, the version, the
number, the heading and the rows. Numbers of consecutive frames rise by one. The heading is in the
first frame of the file and of each run: the station's id and the fields of the kinds of rows. The
file is filled from its start again once everything in it is in the store, and that has been synced.
It keeps its size, since a file that grows costs more to sync.
"""

from __future__ import annotations

import contextlib
import os
import struct
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, get_args

import msgspec
import numpy as np

from drivers.contract import SampleBlock
from logger.rows import (
    SECOND_FIGURES,
    Excursion,
    Health,
    Row,
    Samples,
    SecondRows,
    Transmission,
    WeatherRow,
)
from logger.store.archive import join_alike
from logger.store.durability import SPOOL
from logger.store.segments import decode, encode

VERSION = 1
FULL_BYTES = 65_536
PAGE_BYTES = 4096
Plain = Transmission | Excursion | Health | WeatherRow
PLAIN: dict[str, type[Plain]] = {kind.__name__: kind for kind in get_args(Plain)}

_HEAD = struct.Struct("<II")


class Spool:
    """The spool of the store at `store`, which the writer of its rows holds.

    committed  number of the last frame whose rows are in the store
    number     number of the last frame
    size       bytes in use
    """

    def __init__(self, store: Path, station_id: str, committed: int) -> None:
        self.committed = self.number = committed
        self.size = 0
        self.path = store.with_name(store.name + SPOOL)
        self._heading = station_id, {name: kind.__struct_fields__ for name, kind in PLAIN.items()}
        self._has_heading = False
        self._descriptor = -1

    @property
    def has_rows(self) -> bool:
        """True if it has rows that are not in the store."""
        return self.number > self.committed

    def read(self) -> list[Row]:
        """Return the rows left by an earlier run that are not in the store. Raise OSError."""
        rows: list[Row] = []
        with contextlib.suppress(FileNotFoundError):
            for number, packed, end in _frames(self.path.read_bytes(), self._heading[0]):
                if number > self.committed:
                    self.number = number
                    rows += packed
                self.size = end
        return rows

    def append(self, rows: Sequence[Row], *, is_synced: bool) -> None:
        """Append rows, which a kill then does not lose. Raise OSError.

        Only samples, seconds and PLAIN kinds are. `is_synced` is True if a power cut does not lose
        any commit.
        """
        if self._descriptor < 0:
            self._open()
        begin = 0 if is_synced and not self.has_rows else self.size
        heading = None if begin and self._has_heading else self._heading
        content = VERSION, self.number + 1, heading, [*_pack(rows)]
        payload = msgspec.msgpack.encode(content, enc_hook=_plain)
        self._write(_HEAD.pack(len(payload), zlib.crc32(payload)) + payload, begin)
        self.size = begin + _HEAD.size + len(payload)
        self.number += 1
        self._has_heading = True

    def _open(self) -> None:
        self._descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        size = os.fstat(self._descriptor).st_size
        self.size = min(self.size, size)
        # Page by page: what was written at once may stay one piece of the kernel's cache, which is
        # dirty as a whole after each frame.
        for begin in range(size, FULL_BYTES, PAGE_BYTES):
            self._write(bytes(min(PAGE_BYTES, FULL_BYTES - begin)), begin)

    def _write(self, data: bytes, begin: int) -> None:
        written = 0
        while written < len(data):
            written += os.pwrite(self._descriptor, data[written:], begin + written)

    @property
    def is_full(self) -> bool:
        """True if its rows are to be committed and synced, so that it can be used anew."""
        return self.size > FULL_BYTES

    def close(self) -> None:
        """Close the file."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def _frames(data: bytes, station_id: str) -> Iterator[tuple[int, list[Row], int]]:
    """Yield number, rows and end of each frame of a station, as far as they are whole."""
    begin, former = 0, None
    fields: dict[str, list[str]] = {}
    while begin + _HEAD.size <= len(data):
        length, checksum = _HEAD.unpack_from(data, begin)
        begin += _HEAD.size
        payload = data[begin : begin + length]
        if len(payload) < length or zlib.crc32(payload) != checksum:
            return
        try:
            version, number, heading, packed = msgspec.msgpack.decode(payload)
            owner, fields = heading or (station_id, fields)
            if (version, owner) != (VERSION, station_id) or former not in (None, number - 1):
                return
            rows = [_unpack(kind, values, fields) for kind, *values in packed]
        except (ValueError, TypeError, KeyError):  # zeros, or another version
            return
        former = number
        begin += length
        yield number, rows, begin


def _pack(rows: Sequence[Row]) -> Iterator[tuple[Any, ...]]:
    runs: list[list[SampleBlock]] = [[]]
    for row in rows:
        if isinstance(row, Samples):
            if row.begins:
                runs.append([])
            runs[-1].append(row.block)
        elif isinstance(row, SecondRows):
            counts = (
                np.asarray(column, np.int64) for column in (row.time_ns, row.samples, row.flags)
            )
            columns = (column.tobytes() for column in (*counts, row.figures))
            yield "SecondRows", row.start_ns, *columns
        elif type(row).__name__ in PLAIN:
            yield type(row).__name__, *msgspec.structs.astuple(row)
    for number, blocks in enumerate(runs):
        for place, block in enumerate(join_alike(blocks)):
            yield "Samples", encode(block), number > 0 and place == 0


def _plain(value: np.generic) -> object:
    return value.item()


def _unpack(kind: str, values: list[Any], fields: dict[str, list[str]]) -> Row:
    if kind == "Samples":
        return Samples(decode(values[0]), begins=values[1])
    if kind == "SecondRows":
        start_ns, *columns = values
        times, samples, flags = (np.frombuffer(column, np.int64) for column in columns[:3])
        figures = np.frombuffer(columns[3]).reshape(len(SECOND_FIGURES), -1)
        return SecondRows(start_ns, times, samples, flags, figures)
    return msgspec.convert(dict(zip(fields[kind], values, strict=True)), PLAIN[kind])
