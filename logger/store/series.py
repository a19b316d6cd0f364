"""A series of integers as bytes, close to its entropy after an entropy coder.

A series begins with a kind (1 byte) and a number (8 bytes). Kind 0: all values are that number.
Kind 4: that many runs of the same value; their values and their lengths follow, both as series.
Kinds 1, 2, 3: the values minus that number, as int16, 32 or 64, are cut into rows of 256 (or all in
one row, then of even length), the last padded. A byte for each row gives its class, plus 8 if it
holds differences from value to value instead of from its base. Then the rows, class by class:

    0         nothing, all are 0
    1         4 bits a value, 8 added; a byte for the values i and i + half a row
    2         8 bits a value, 128 added
    3, 4, 5   16, 32, 64 bits, 0x80 added to each byte; the lowest bytes of all, the next, ...

Last the bases (the first value for rows of differences, else about the mean): 8 bytes for one row,
else a series.
"""

from __future__ import annotations

import struct
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]
Ints = NDArray[np.signedinteger[Any]]
Plain = NDArray[np.unsignedinteger[Any]]
Number = TypeVar("Number", np.int64, np.float64)

ROW = 256
RUN = 64  # least mean length of runs, in values, for which runs are stored

_HEAD = struct.Struct("<Bq")
_KINDS = (np.int16, np.int16, np.int32, np.int64)  # kind 0 has none of its own
_RUNS, _DIFFERENCES = 4, 8
# By class: width, offset added to a value, and (from 1 on) the limit of x or -1 - x.
_WIDTHS = (np.uint8, np.uint8, np.uint8, np.uint16, np.uint32, np.uint64)
_SIGNED = (np.int8, np.int8, np.int8, np.int16, np.int32, np.int64)
_SHIFTS = (0, 8, 0x80, 0x8080, 0x80808080, 0x8080808080808080)
_LIMITS = np.array([8, 2**7, 2**15, 2**31])


class Parts:
    """Reads the parts from the start in the order of writing."""

    def __init__(self, content: bytes) -> None:
        self._rest = memoryview(content)

    def take(self, count: int) -> memoryview:
        part, self._rest = self._rest[:count], self._rest[count:]
        return part


def changes_of(series: Ints) -> Times | None:
    """Return the indexes of the values followed by another one, None if there are too many."""
    changed = series[1:] != series[:-1]
    few = np.count_nonzero(changed) * RUN <= len(series)
    return np.flatnonzero(changed) if few else None


def write_series(parts: list[bytes], series: Ints) -> None:
    """Append the bytes of a series, (n,)."""
    n = len(series)
    low, high = (int(series.min()), int(series.max())) if n else (0, 0)
    kind = 0 if low == high else 1 if high - low < 2**15 else 2 if high - low < 2**31 else 3
    if high - low >= 2**62:
        low = 0
    if kind and (changes := changes_of(series)) is not None:
        starts = np.concatenate(([0], changes + 1))
        parts.append(_HEAD.pack(_RUNS, len(starts)))
        write_series(parts, series[starts])
        write_series(parts, np.diff(starts, append=n))
        return
    parts.append(_HEAD.pack(kind, low))
    if not kind:
        return
    row = min(ROW, n + n % 2)
    rows = np.empty((-(-n // row), row), _KINDS[kind])
    flat = rows.reshape(-1)
    np.subtract(series, low, out=flat[:n], casting="unsafe")
    flat[n:] = flat[n - 1]

    bases = np.rint(rows.mean(axis=1)).clip(-(2.0**62), 2.0**62).astype(rows.dtype)
    rest = rows - bases[:, None]
    steps = np.empty_like(rows)
    steps[:, 0] = 0
    np.subtract(rows[:, 1:], rows[:, :-1], out=steps[:, 1:])
    stepping = np.abs(steps).sum(axis=1) < np.abs(rest).sum(axis=1)
    rest[stepping] = steps[stepping]
    bases[stepping] = rows[stepping, 0]

    highest, lowest = rest.max(axis=1), rest.min(axis=1)
    classes = np.searchsorted(_LIMITS, np.maximum(highest, ~lowest), side="right") + 1
    classes[(highest | lowest) == 0] = 0
    parts.append((classes | stepping * _DIFFERENCES).astype(np.uint8).tobytes())
    for number in sorted(set(classes.tolist()) - {0}):
        codes: Plain = rest[classes == number].astype(_WIDTHS[number])
        codes += _WIDTHS[number](_SHIFTS[number])
        if number == 1:
            codes = np.bitwise_or(codes[:, : row // 2], codes[:, row // 2 :] << 4)
        shifts = range(0, 8 * codes.itemsize, 8)
        parts.extend((codes >> shift).astype(np.uint8).tobytes() for shift in shifts)
    if len(bases) > 1:
        write_series(parts, bases)
    else:
        parts.append(bases.astype(np.int64).tobytes())


def read_series(parts: Parts, n: int, dtype: type[Number]) -> NDArray[Number]:
    """Read the next series, of n values."""
    kind, low = _HEAD.unpack(parts.take(_HEAD.size))
    if kind == _RUNS:
        values, lengths = (read_series(parts, low, np.int64) for _ in range(2))
        return values.astype(dtype).repeat(lengths)
    if not kind:
        return np.full(n, low, dtype)
    row = min(ROW, n + n % 2)
    count = -(-n // row)
    rows = np.zeros((count, row), _KINDS[kind])
    heads = np.frombuffer(parts.take(count), np.uint8)
    classes, stepping = heads % _DIFFERENCES, heads >= _DIFFERENCES
    for number in sorted(set(classes.tolist()) - {0}):
        mask: Any = classes == number
        codes: Plain = np.empty((np.count_nonzero(mask), row), _WIDTHS[number])
        if len(codes) == count:
            mask = slice(None)  # the same, and faster
        if number == 1:
            packed = np.frombuffer(parts.take(codes.size // 2), np.uint8).reshape(-1, row // 2)
            np.bitwise_and(packed, 15, out=codes[:, : row // 2])
            np.right_shift(packed, 4, out=codes[:, row // 2 :])
        else:
            for plane in codes.reshape(-1, 1).view(np.uint8).T:
                plane[:] = np.frombuffer(parts.take(codes.size), np.uint8)
        codes -= _WIDTHS[number](_SHIFTS[number])
        rows[mask] = codes.view(_SIGNED[number])
    bases = (
        read_series(parts, count, np.int64) if count > 1 else np.frombuffer(parts.take(8), np.int64)
    ).astype(rows.dtype)
    rows[stepping] = rows[stepping].cumsum(axis=1, dtype=rows.dtype)
    rows += bases[:, None]
    series = rows.reshape(-1)[:n].astype(dtype)
    series += dtype(low)
    return series
