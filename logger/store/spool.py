"""Rows that wait for their commit, safe from a kill: frames in a file beside the store.

A commit writes pages of several tables, of the log and of its index; a frame is appended to one
page. So rows that nobody waits for are spooled soon and committed late, many at a time. Each frame
has a number, and each commit stores that of the last frame whose rows it holds: what is above is
what the next run has to store.

A frame is its length and CRC-32 (4 bytes each, little-endian) and, as MessagePack, the version, the
station's id, the number and the rows. Numbers of consecutive frames rise by one. The file is filled
from its start again once everything in it is in the store, and that has been synced.
"""

from __future__ import annotations

import contextlib
import itertools
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
from logger.store.segments import SegmentError, decode, encode

VERSION = 1
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
        self._station_id = station_id
        self._descriptor = -1

    @property
    def has_rows(self) -> bool:
        """True if it has rows that are not in the store."""
        return self.number > self.committed

    def read(self) -> list[Row]:
        """Return the rows left by an earlier run that are not in the store. Raise OSError."""
        rows: list[Row] = []
        with contextlib.suppress(FileNotFoundError):
            for number, packed, end in _frames(self.path.read_bytes(), self._station_id):
                if number > self.committed:
                    self.number = number
                    rows += itertools.chain.from_iterable(map(_unpack, packed))
                self.size = end
        return rows

    def append(self, rows: Sequence[Row], *, is_synced: bool) -> None:
        """Append rows, which a kill then does not lose. Raise OSError.

        Only samples, seconds and PLAIN kinds are. `is_synced` is True if a power cut does not lose
        any commit.
        """
        if self._descriptor < 0:
            flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC
            self._descriptor = os.open(self.path, flags, 0o600)
            self.size = min(self.size, os.fstat(self._descriptor).st_size)
        begin = 0 if is_synced and not self.has_rows else self.size
        content = VERSION, self._station_id, self.number + 1, [*_pack(rows)]
        payload = msgspec.msgpack.encode(content, enc_hook=_plain)
        frame = _HEAD.pack(len(payload), zlib.crc32(payload)) + payload
        written = 0
        while written < len(frame):
            written += os.pwrite(self._descriptor, frame[written:], begin + written)
        self.size = begin + written
        self.number += 1

    def close(self) -> None:
        """Close the file."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def _frames(data: bytes, station_id: str) -> Iterator[tuple[int, list[list[Any]], int]]:
    """Yield number, rows and end of each frame of a station, as far as they are whole."""
    begin, former = 0, None
    while begin + _HEAD.size <= len(data):
        length, checksum = _HEAD.unpack_from(data, begin)
        begin += _HEAD.size
        payload = data[begin : begin + length]
        if len(payload) < length or zlib.crc32(payload) != checksum:
            return
        try:
            version, owner, number, rows = msgspec.msgpack.decode(payload)
        except (msgspec.DecodeError, TypeError, ValueError):
            return
        if (version, owner) != (VERSION, station_id) or former not in (None, number - 1):
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
            yield type(row).__name__, row
    for number, blocks in enumerate(runs):
        for place, block in enumerate(join_alike(blocks)):
            yield "Samples", encode(block), number > 0 and place == 0


def _plain(value: np.generic) -> object:
    return value.item()


def _unpack(packed: list[Any]) -> Iterator[Row]:
    kind, *values = packed
    if kind == "Samples":
        with contextlib.suppress(SegmentError):
            yield Samples(decode(values[0]), begins=values[1])
    elif kind == "SecondRows":
        start_ns, *columns = values
        times, samples, flags = (np.frombuffer(column, np.int64) for column in columns[:3])
        figures = np.frombuffer(columns[3]).reshape(len(SECOND_FIGURES), -1)
        yield SecondRows(start_ns, times, samples, flags, figures)
    else:
        yield msgspec.convert(values[0], PLAIN[kind])
