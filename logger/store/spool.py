"""Rows that wait for their commit, safe from a kill: frames in a file beside the store.

A commit writes pages of several tables, of the log and of its index; a frame is appended to one
page. So rows that nobody waits for are spooled soon and committed late, many at a time. Each frame
has a number, and each commit stores that of the last frame whose rows it holds: what is above is
what the next run has to store.

A frame is its length and CRC-32 (4 bytes each, little-endian) and, as MessagePack, the version, the
number, the heading and the rows, compressed as the continuation of the frames before: they differ
little. Figures are those that the store holds, in millionths. Numbers of consecutive frames rise by
one. The heading is in the first frame of the file and of each run, with which compression begins
(BEGINS is added to its length): the station's id and the fields of the kinds of rows. The file is
filled from its start again once everything in it is in the store, and that has been synced. It
keeps its size, since a file that grows costs more to sync.
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
from logger.blocks import Floats
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
from logger.store.segments import pack, unpack
from logger.store.statements import SECOND_DECIMALS, TRANSMISSION, round_figures

VERSION = 2
BEGINS = 1 << 31
WINDOW_BITS, MEMORY_LEVEL = -13, 6  # of zlib: 48 kB for a compressor
MILLIONTHS = 10**6
FULL_BYTES = 65_536
PAGE_BYTES = 4096
Plain = Transmission | Excursion | Health | WeatherRow
PLAIN: dict[str, type[Plain]] = {kind.__name__: kind for kind in get_args(Plain)}
FIELDS = {name: kind.__struct_fields__ for name, kind in PLAIN.items()} | {
    "Transmission": TRANSMISSION.names
}

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
        self._heading = station_id, FIELDS
        self._compressor: Any = None  # after the first frame of this run
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
        compressor = self._compressor if begin else None
        self._compressor = None  # a frame that is not written is not continued
        begins, heading = 0, None
        if compressor is None:
            compressor = zlib.compressobj(wbits=WINDOW_BITS, memLevel=MEMORY_LEVEL)
            begins, heading = BEGINS, self._heading
        content = VERSION, self.number + 1, heading, [*_pack(rows)]
        payload = compressor.compress(msgspec.msgpack.encode(content, enc_hook=_plain))
        payload += compressor.flush(zlib.Z_SYNC_FLUSH)
        self._write(_HEAD.pack(len(payload) | begins, zlib.crc32(payload)) + payload, begin)
        self.size = begin + _HEAD.size + len(payload)
        self.number += 1
        self._compressor = compressor

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
    decompressor: Any = None
    while begin + _HEAD.size <= len(data):
        length, checksum = _HEAD.unpack_from(data, begin)
        if length & BEGINS:
            decompressor = zlib.decompressobj(WINDOW_BITS)
        length &= BEGINS - 1
        begin += _HEAD.size
        payload = data[begin : begin + length]
        if len(payload) < length or zlib.crc32(payload) != checksum or decompressor is None:
            return
        try:
            content = decompressor.decompress(payload)
            version, number, heading, packed = msgspec.msgpack.decode(content)
            owner, fields = heading or (station_id, fields)
            if (version, owner) != (VERSION, station_id) or former not in (None, number - 1):
                return
            rows = [_unpack(kind, values, fields) for kind, *values in packed]
        except (ValueError, TypeError, KeyError, zlib.error):  # zeros, or another version
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
                np.asarray(column).tolist() for column in (row.time_ns, row.samples, row.flags)
            )
            figures = round_figures(row.figures, SECOND_DECIMALS)
            yield "SecondRows", row.start_ns, *counts, _millionths(figures)
        elif isinstance(row, Transmission):
            (values,) = TRANSMISSION.values([row])
            place = len(values) - len(TRANSMISSION.figures)
            yield "Transmission", *values[:place], *_millionths(np.array(values[place:]))
        elif type(row).__name__ in PLAIN:
            yield type(row).__name__, *msgspec.structs.astuple(row)
    for number, blocks in enumerate(runs):
        for place, block in enumerate(join_alike(blocks)):
            yield "Samples", b"".join(pack(block)), number > 0 and place == 0


def _millionths(figures: Floats) -> list[int | None]:
    """Return rounded figures as integers, which take fewer bytes; NaN becomes None."""
    return [
        None if figure != figure else round(figure * MILLIONTHS)
        for figure in figures.ravel().tolist()
    ]


def _figures(millionths: Sequence[int | None]) -> list[float]:
    return [np.nan if value is None else value / MILLIONTHS for value in millionths]


def _plain(value: np.generic) -> object:
    return value.item()


def _unpack(kind: str, values: list[Any], fields: dict[str, list[str]]) -> Row:
    if kind == "Samples":
        return Samples(unpack(values[0]), begins=values[1])
    if kind == "SecondRows":
        start_ns, *counts, figures = values
        times, samples, flags = (np.array(column, np.int64) for column in counts)
        table = np.array(_figures(figures)).reshape(len(SECOND_FIGURES), -1)
        return SecondRows(start_ns, times, samples, flags, table)
    named = dict(zip(fields[kind], values, strict=True))
    if kind == "Transmission":
        names = [name for name in TRANSMISSION.figures if name in named]
        named |= zip(names, _figures([named[name] for name in names]), strict=True)
        return Transmission(**named)
    return msgspec.convert(named, PLAIN[kind])
