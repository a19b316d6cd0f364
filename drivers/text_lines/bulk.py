"""Vectorised reader of many plain lines.

A plain line is as many fields `[+-]digits[.digits]` as there are columns, with one character
between them. The numbers are exactly those that `lines` reads: the digits of a field become an
integer below 2^53, which a float represents exactly, and one division by a power of ten up to
10^22, also exact in a float, is rounded correctly by IEEE 754. (Nanoseconds stay in int64.)

Digits are read eight at a time: eight characters loaded as one little-endian 64-bit word are
combined into a number by three multiplications.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from drivers.text_lines.columns import INT64_MAX, SEPARATORS, Layout

Ints = NDArray[np.int64]
Words = NDArray[np.uint64]
Values = NDArray[np.float64 | np.int64]
# One number for all lines if they agree, which is the usual case, else one per line.
PerLine = int | Ints

MOST_DIGITS = 18
# Characters before the first line, so that a load may start before the first field.
_LEAD_IN = b"\n" * 32
_NO_POINT = 64  # decimals of a number without a point: all its words lie right of the point
_TOO_MANY = 0.02  # fraction of irregular lines above which the reference reader reads them all

_ZERO = np.uint8(ord("0"))
_POWERS = np.array([10.0**i for i in range(MOST_DIGITS + 1)])
_INT_POWERS = np.array([10**i for i in range(10)], dtype=np.int64)
# Masks of the last n of the eight characters, and of their digits.
_LAST = np.array([(2**64 - 1) << (64 - 8 * n) & (2**64 - 1) for n in range(9)], dtype=np.uint64)
_LAST_DIGITS = _LAST & np.uint64(0x0F0F0F0F0F0F0F0F)
_FOLDS = tuple(
    (np.uint64(factor), np.uint64(shift), np.uint64(mask))
    for factor, shift, mask in (
        (10 << 8 | 1, 8, 0x00FF00FF00FF00FF),
        (100 << 16 | 1, 16, 0x0000FFFF0000FFFF),
        (10000 << 32 | 1, 32, 0x00000000FFFFFFFF),
    )
)
_PLAIN = re.compile(rb"([+-]?)([0-9]+)(?:\.([0-9]+))?")
_FIRST_SEPARATOR = re.compile(
    rf"\n[+-]?[0-9]++(?:\.[0-9]++|,[0-9]++(?=;))?+([ {SEPARATORS}])".encode()
)


class Scan(NamedTuple):
    """Content of a chunk as printed: before units and ranges.

    ends     (n,) int64, the offset just after the terminator of each plain line
    values   by column, (n,) float64, or int64 for the columns of time
    decimals by column, the number of decimals printed
    odd      (start, end) of each line left to the reference reader
    """

    ends: Ints
    values: list[Values]
    decimals: list[PerLine]
    odd: list[tuple[int, int]]


class _Field(NamedTuple):
    """Digits of one column in every line.

    load(back) returns, for each line, the eight characters that end `back` characters before the
    end of the field.
    """

    load: Callable[[int], Words]
    digits: PerLine
    decimals: PerLine
    negative: bool | NDArray[np.bool_]


def scan(chunk: bytes, columns: Layout, longest: int) -> Scan | None:
    """Read a chunk of complete lines; return None if too few of them are plain."""
    padded = _LEAD_IN + chunk
    separator = _FIRST_SEPARATOR.search(padded)
    if separator is None:
        return None
    # Unaligned and overlapping: the eight characters from any offset.
    words = np.ndarray((len(padded) - 7,), "<u8", padded, strides=(1,))
    return _all_alike(chunk, words, columns, longest, separator[1]) or _mixed(
        padded, words, columns, longest, separator[1]
    )


def _all_alike(
    chunk: bytes, words: Words, columns: Layout, longest: int, separator: bytes
) -> Scan | None:
    """Read lines that all have the same kind of character at every position."""
    length = chunk.find(b"\n") + 1
    if not length or len(chunk) % length:
        return None
    line = chunk[: length - 1].removesuffix(b"\r")
    fields = [
        _PLAIN.fullmatch(field.replace(b",", b".") if separator == b";" else field)
        for field in line.split(separator)
    ]
    if len(fields) != len(columns.keys) or len(line) > longest:
        return None

    # A digit may be any digit; every other character must be the same.
    count = len(chunk) // length
    lowest, spread = _ranges(re.sub(rb"[0-9]", b"0", chunk[:length]), count)
    above = np.frombuffer(chunk, np.uint8) - lowest
    if np.greater(above, spread, out=above.view(np.bool_)).any():
        return None

    def loader(end: int) -> Callable[[int], Words]:
        return lambda back: words[end - 8 - back :: length][:count].copy()

    result = Scan(np.arange(len(line) + 1, len(chunk) + 1, length), [], [], [])
    end = len(_LEAD_IN) - 1
    for key, field in zip(columns.keys, fields, strict=True):
        if field is None:
            return None
        end += 1 + len(field[0])
        decimals = len(field[3] or b"")
        digits = len(field[2]) + decimals
        if digits > MOST_DIGITS:
            return None
        values, exact = _numbers(
            key,
            _Field(
                loader(end),
                digits,
                decimals or _NO_POINT,
                field[1] == b"-",
            ),
        )
        if not np.all(exact):
            return None
        result.values.append(values)
        result.decimals.append(decimals)
    return result


@lru_cache(2)
def _ranges(shape: bytes, count: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Return the lowest character at each place of `count` lines, and how far it may be exceeded.

    A 0 in the shape stands for any digit.
    """
    spread = bytes(9 * (character == b"0"[0]) for character in shape)
    return np.frombuffer(shape * count, np.uint8), np.frombuffer(spread * count, np.uint8)


def _mixed(
    padded: bytes, words: Words, columns: Layout, longest: int, separator: bytes
) -> Scan | None:
    """Read lines of any width, including lines that are not plain."""
    width = len(columns.keys)
    text = np.frombuffer(padded, np.uint8)
    marks = np.flatnonzero(text - _ZERO > 9)[len(_LEAD_IN) :]
    kinds = text[marks]
    point = kinds == ord(".")
    if separator == b";":
        point |= kinds == ord(",")
    inside = point
    may_be_signed = b"-" in padded or b"+" in padded
    if may_be_signed:
        inside = point | (kinds == ord("-")) | (kinds == ord("+"))

    # A field extends from `start` to `stop`, the character that ends it.
    stops = np.flatnonzero(~inside)
    stop, kind = marks[stops], kinds[stops]
    start = np.empty_like(stop)
    start[0] = len(_LEAD_IN)
    start[1:] = stop[:-1] + 1
    marks_inside = np.diff(stops, prepend=-1) - 1

    lasts = np.flatnonzero((kind == ord("\n")) | (kind == ord("\r")))
    line_width = np.diff(lasts, prepend=-1)
    line_start, line_stop = start[lasts - line_width + 1], stop[lasts]
    blank = line_start == line_stop
    plain = line_width == width
    if not plain.all():
        chosen = ((lasts[plain] - width + 1)[:, None] + np.arange(width)).ravel()
        stops, stop, kind, start, marks_inside = (
            a[chosen] for a in (stops, stop, kind, start, marks_inside)
        )

    pointed = point[stops - 1]  # before the first stop, this wraps to the last one, a terminator
    decimals = (stop - marks[stops - 1] - 1) * pointed
    digits = stop - start - pointed
    expected = pointed.view(np.int8)
    negative: NDArray[np.bool_] | None = None
    if may_be_signed:
        sign = text[start]
        negative = sign == ord("-")
        signed = negative | (sign == ord("+"))
        digits -= signed
        expected = expected + signed
    good_field = (
        (marks_inside == expected)
        & (digits > decimals)
        & (digits <= MOST_DIGITS)
        & ((decimals > 0) | ~pointed)
    )
    good = line_stop[plain] - line_start[plain] <= longest
    for i in range(width):
        good &= good_field[i::width]
        if i < width - 1:
            good &= kind[i::width] == separator[0]
    plain[plain] = good
    if np.count_nonzero(~(plain | blank)) > _TOO_MANY * len(plain):
        return None

    gathered = words.copy()  # aligned: faster for several gathers

    def loader(end: Ints) -> Callable[[int], Words]:
        return lambda back: gathered.take(end - (8 + back))

    everything = bool(good.all())
    decimals_or_none = np.where(pointed, decimals, _NO_POINT)
    values, printed = [], []
    exact: NDArray[np.bool_] = np.ones(np.count_nonzero(plain), np.bool_)
    for i, key in enumerate(columns.keys):
        places: slice | Ints = slice(i, None, width)
        if not everything:
            places = np.flatnonzero(good) * width + i
        numbers, column_exact = _numbers(
            key,
            _Field(
                loader(stop[places]),
                _one_if_same(digits[places]),
                _one_if_same(decimals_or_none[places]),
                False if negative is None else negative[places],
            ),
        )
        values.append(numbers)
        printed.append(_one_if_same(decimals[places]))
        exact &= column_exact
    if not exact.all():
        plain[plain] = exact
        values = [v[exact] for v in values]
        printed = [d if isinstance(d, int) else d[exact] for d in printed]
    odd = np.flatnonzero(~(plain | blank))
    spans = np.stack((line_start[odd], line_stop[odd]), axis=1) - len(_LEAD_IN)
    ends = line_stop[plain] + (1 - len(_LEAD_IN))
    return Scan(ends, values, printed, [(a, b) for a, b in spans.tolist()])


def _one_if_same(values: Ints) -> PerLine:
    if not len(values):
        return 0
    first = int(values[0])
    return first if (values == first).all() else values


def _numbers(key: str, field: _Field) -> tuple[Values, bool | NDArray[np.bool_]]:
    """Return the numbers of a column and whether they equal those of the reference reader."""
    digits = _digits(field)
    exact: bool | NDArray[np.bool_] = True
    pointed = field.decimals != _NO_POINT
    decimals = field.decimals * pointed
    if key == "time_us":
        return _signed(digits, field.negative), ~np.asarray(pointed)
    if key == "time_ns":
        factor = _INT_POWERS[9 - np.minimum(decimals, 9)]
        exact = (np.asarray(decimals) <= 9) & (digits <= INT64_MAX // factor)
        nanoseconds = digits * factor
        return _signed(nanoseconds, field.negative), exact
    if _highest(field.digits) > 15:
        exact = digits < 2**53
    values = digits.astype(np.float64)
    values /= _POWERS[decimals]
    return _signed(values, field.negative), exact


def _signed(values: Values, negative: bool | NDArray[np.bool_]) -> Values:
    if isinstance(negative, bool):
        return -values if negative else values
    return np.negative(values, out=values, where=negative)


def _highest(values: PerLine) -> int:
    return values if isinstance(values, int) else int(values.max(initial=0))


def _of_eight(digits: PerLine) -> PerLine:
    """Return how many of eight places these digits fill."""
    return min(max(digits, 0), 8) if isinstance(digits, int) else np.clip(digits, 0, 8)


def _digits(field: _Field) -> Ints:
    """Return the digits of each line as one number, skipping the point."""
    total: Ints | None = None
    for done in range(0, max(_highest(field.digits), 1), 8):
        word = _without_point(field, done)
        word &= _LAST_DIGITS[_of_eight(field.digits - done)]
        for factor, shift, mask in _FOLDS:
            word *= factor
            word >>= shift
            word &= mask
        number = word.view(np.int64)
        if total is None:
            total = number
        else:
            number *= 10**done
            total += number
    assert total is not None
    return total


def _without_point(field: _Field, done: int) -> Words:
    """Return the eight digits before the last `done` ones."""
    right = field.decimals - done
    if isinstance(right, int):
        if right >= 8:
            return field.load(done)
        if right <= 0:
            return field.load(done + 1)
    mask = _LAST[_of_eight(right)]
    word = field.load(done)
    word &= mask
    word |= field.load(done + 1) & ~mask
    return word
