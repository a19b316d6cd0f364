"""Segments: lossless conversion of many pairs into one block of bytes and back.

Converters give integer codes, so volts lie on a grid, with noise of a few codes about a level or a
slope. A segment stores the unpredictable part of the codes, in as few bits as each 256 of them
need; zstd's entropy coder removes the remaining redundancy. All is little-endian:

    "MMSG"  version, 1 byte  CRC-32 of the frame begun with the version, 4 bytes  zstd frame

The frame holds the length of the header (4 bytes), the header (MessagePack, see `_Header`) and the
series of integers that it describes: the times, then those of each column.

*Times* are in µs if all are whole, minus the first, minus the line `i * slope >> 8`.

*Columns* of float64 (`forward_v`, `reflected_v`, then auxiliary ones), by kind:

    multiple  codes k, one series: the value is k * step
    part      codes k: k / step (decimals: step is a power of ten)
    table     codes k - first, and for each code from the first the bits minus those of k * step
    bits      the bits as int64

`series` describes the storage of a series of integers.
"""

from __future__ import annotations

import struct
import sys
import zlib
from typing import Any, Literal, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from drivers.contract import SampleBlock
from logger.blocks import Floats, Times
from logger.quantiles import distinct
from logger.store.series import ROW, Parts, changes_of, read_series, write_series

if sys.version_info >= (3, 14):
    from compression import zstd
else:
    from backports import zstd

MAGIC, VERSION = b"MMSG", 1
LEVEL = 1  # of zstd; the higher ones search for repetitions, and noise has none
LARGEST, SMALLEST, MOST_CODES = 1e100, 1e-30, 2**30  # value, step and their ratio on a grid
MOST_TABLE = 2**16  # codes
LOOKED_AT = 2048  # values used to estimate a step
FEW = 256  # values that mostly show if all are on a grid
SLOPES = 4096  # about as many are looked at
FASTEST = 2**40  # steepest slope of a line

_START = struct.Struct("<4sBI")


class SegmentError(ValueError):
    """These bytes are not a segment, or are damaged."""


class _Column(msgspec.Struct, array_like=True, frozen=True):
    """`hint` is the resolution as given; `items` and `first` belong to the table."""

    name: str
    hint: float
    kind: Literal["multiple", "part", "table", "bits"]
    step: float = 1.0
    items: int = 0
    first: int = 0


class _Header(msgspec.Struct, array_like=True, frozen=True):
    pairs: int
    first_ns: int
    unit_ns: int
    slope: int
    full_scale_v: float | None
    columns: tuple[_Column, ...]
    clock_step: bool = False
    gap: bool = False


def encode(block: SampleBlock) -> bytes:
    """Encode the pairs as a segment. Wrong steps only cost space."""
    parts = pack(block)
    compressor = zstd.ZstdCompressor(LEVEL)
    compressor.set_pledged_input_size(sum(map(len, parts)))
    frame = bytearray()
    for part in parts:
        frame += compressor.compress(part)
        if len(part) > ROW:  # the next part has other statistics
            frame += compressor.flush(compressor.FLUSH_BLOCK)
    frame += compressor.flush()
    return _START.pack(MAGIC, VERSION, zlib.crc32(frame, VERSION)) + frame


def pack(block: SampleBlock) -> list[bytes]:
    """Return the content of a segment, not compressed, in parts of different statistics."""
    parts: list[bytes] = []
    first, unit, slope, off_line = _off_line(block.time_ns)
    write_series(parts, off_line)
    described = (
        _put_column(parts, "forward_v", block.forward_v, block.step_v[0]),
        _put_column(parts, "reflected_v", block.reflected_v, block.step_v[1]),
        *(_put_column(parts, name, values, 0.0) for name, values in block.aux.items()),
    )
    header = msgspec.msgpack.encode(
        _Header(
            len(block),
            first,
            unit,
            slope,
            block.full_scale_v,
            described,
            block.clock_step,
            block.gap,
        )
    )
    return [struct.pack("<I", len(header)) + header, *parts]


def is_readable(segment: bytes) -> bool:
    """True if `decode` can read a segment: its checksum is valid."""
    try:
        _frame(segment)
    except SegmentError:
        return False
    return True


def decode(segment: bytes) -> SampleBlock:
    """Return the block given to `encode`, bit for bit. Raise SegmentError."""
    return unpack(zstd.decompress(_frame(segment)))


def unpack(content: bytes) -> SampleBlock:
    """Return the block given to `pack`, from the joined parts."""
    header, parts = _header_of(content)
    n = header.pairs
    times = _take_times(parts, header)
    forward, reflected, *aux = header.columns
    return SampleBlock(
        times,
        _take_column(parts, forward, n),
        _take_column(parts, reflected, n),
        {column.name: _take_column(parts, column, n) for column in aux},
        (forward.hint, reflected.hint),
        header.full_scale_v,
        header.clock_step,
        header.gap,
    )


class Grid(NamedTuple):
    """Grid of a column's values: code / step if `is_part`, else code * step."""

    step: float
    is_part: bool

    @property
    def volts(self) -> float:
        """Volts between codes."""
        return 1 / self.step if self.is_part else self.step

    def codes(self, values: Floats) -> NDArray[np.int32]:
        """Return the codes of values on the grid, (n,)."""
        return np.rint(values / self.volts).astype(np.int32)

    def values(self, codes: NDArray[Any]) -> Floats:
        """Return the values of codes, as `decode` does, bit for bit."""
        return codes / self.step if self.is_part else codes * self.step


def grids(segment: bytes) -> list[Grid | None]:
    """Return the grids of forward and reflected volts, None for one without. Raise SegmentError."""
    header, _ = _opened(segment)
    return [
        Grid(column.step, column.kind == "part") if column.kind in ("multiple", "part") else None
        for column in header.columns[:2]
    ]


def decode_times(segment: bytes) -> Times:
    """Return `decode(segment).time_ns` in a fraction of the time. Raise SegmentError."""
    header, parts = _opened(segment)
    return _take_times(parts, header)


def _opened(segment: bytes) -> tuple[_Header, Parts]:
    return _header_of(zstd.decompress(_frame(segment)))


def _header_of(content: bytes) -> tuple[_Header, Parts]:
    """Return the header, and the series after it."""
    parts = Parts(content)
    (length,) = struct.unpack("<I", parts.take(4))
    return msgspec.msgpack.decode(parts.take(length), type=_Header), parts


def _take_times(parts: Parts, header: _Header) -> Times:
    times = read_series(parts, header.pairs, np.int64)
    times += _line(header.pairs, header.slope)
    times *= header.unit_ns
    times += header.first_ns
    return times


def _frame(segment: bytes) -> memoryview:
    if len(segment) < _START.size or not segment.startswith(MAGIC):
        raise SegmentError("not a segment")
    _, version, checksum = _START.unpack_from(segment)
    frame = memoryview(segment)[_START.size :]
    if checksum != zlib.crc32(frame, version):
        raise SegmentError("the segment is damaged: its checksum is wrong")
    if version != VERSION:
        raise SegmentError(f"the segment has version {version}; this program reads {VERSION}")
    return frame


def _line(n: int, slope: int) -> Times:
    line = np.arange(n)
    line *= slope
    line >>= 8
    return line


def _off_line(times: Times) -> tuple[int, int, int, Times]:
    """Return the first time, the unit, the slope and the deviation of the times from that line."""
    if not len(times):
        return 0, 1, 0, times
    off = times - times[0]
    micros = off // 1000
    unit = 1
    if np.array_equal(micros * 1000, off):
        unit, off = 1000, micros
    # Most differences span one row without a gap, so the median ignores gaps.
    every = max(1, len(off) // SLOPES)
    samples = off[::every]
    lag = min(-(-ROW // every), len(samples) - 1)
    slope = (
        round(float(np.median(samples[lag:] - samples[:-lag])) * 256 / (lag * every)) if lag else 0
    )
    slope = slope if abs(slope) < FASTEST else 0
    off -= _line(len(off), slope)
    return int(times[0]), unit, slope, off


def _put_column(parts: list[bytes], name: str, values: Floats, hint: float) -> _Column:
    bits = values.view(np.int64)
    if changes_of(bits) is not None:
        write_series(parts, bits)
        return _Column(name, hint, "bits")
    least, most = float(values.min()), float(values.max())  # NaN if any value is
    largest = max(most, -least)
    for step in _likely_steps(values, hint) if largest < LARGEST else ():
        if not (step > SMALLEST and largest / step < MOST_CODES):
            continue
        codes = values - least
        codes *= 1 / step
        np.rint(codes, out=codes)
        codes += round(least / step)
        for column in (
            _Column(name, hint, "multiple", step),
            _Column(name, hint, "part", float(round(1 / step))),
        ):
            if (
                column.step
                and _fits(column, codes[:: len(codes) // FEW + 1], bits[:: len(codes) // FEW + 1])
                and _fits(column, codes, bits)
            ):
                write_series(parts, codes.astype(np.int32))
                return column
        first, last = int(codes.min()), int(codes.max())
        if last - first < MOST_TABLE:
            column = _Column(name, hint, "table", step, last - first + 1, first)
            index = codes.astype(np.int64) - first
            expected = _on_grid(column, np.arange(first, last + 1)).view(np.int64)
            table = expected.copy()
            table[index] = bits
            if np.array_equal(table[index], bits):
                write_series(parts, index)
                write_series(parts, table - expected)
                return column
    write_series(parts, bits)
    return _Column(name, hint, "bits")


def _fits(column: _Column, codes: Floats, bits: Times) -> bool:
    return np.array_equal(_on_grid(column, codes).view(np.int64), bits)


def _take_column(parts: Parts, column: _Column, n: int) -> Floats:
    if column.kind == "bits":
        return read_series(parts, n, np.int64).view(np.float64)
    if column.kind == "table":
        index = read_series(parts, n, np.int64)
        table = _on_grid(column, np.arange(column.first, column.first + column.items))
        bits = table.view(np.int64)
        bits += read_series(parts, column.items, np.int64)
        return table[index]
    codes = read_series(parts, n, np.float64)
    return _on_grid(column, codes, out=codes)


def _on_grid(column: _Column, codes: NDArray[Any], out: Floats | None = None) -> Floats:
    reverse = np.divide if column.kind == "part" else np.multiply
    volts: Floats = reverse(codes, column.step, out=out)
    return volts


def _likely_steps(values: Floats, hint: float) -> tuple[float, float]:
    """Return the hint and the smallest distance between some of the values, 0 if they are equal.

    If decimals are printed finer than the converter's steps, the distance comes first.
    """
    apart = np.diff(distinct(values[:: max(1, len(values) // LOOKED_AT)]))
    least = float(apart.min()) if len(apart) else 0.0
    return (least, hint) if least > 1.5 * hint else (hint, least)
