"""Parser of a byte stream, cut anywhere, into columns."""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import inf
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from drivers.text_lines import bulk, lines
from drivers.text_lines.columns import NO_TIME, Layout, Scale, layout

REASONS = (
    "partial",
    "malformed",
    "wrong_count",
    "control",
    "overlong",
    "not_finite",
    "out_of_range",
)
LONGEST_LINE = 4096
# A device that prints garbled names must not create an unlimited number of columns.
MOST_COLUMNS = 64
MOST_PEEKED = 1024  # bytes; with more, a second look would cost more than it saves
MOST_BELOW = 512  # lines of a quiet station are few

_LINE = re.compile(rb"([^\r\n]++)[\r\n]")
CHUNK_BYTES = 1 << 18  # stays in the cache with all that is derived from it
_FEWEST_LINES = 40  # below this many lines, numpy is slower than a loop
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_NONE_SEEN = -3  # so low that even "0" is examined
_TIMES = ("time_us", "time_ns")

Values = NDArray[Any]  # float64, or int64 for the times


class Parsed(NamedTuple):
    """The pairs of one feed; n >= 1.

    end     (n,) int64, the offset in the data fed just after the terminator of each line
    values  by name, (n,) each: forward_v and reflected_v in volts, float64; time_us and time_ns
            (printed as time_s), int64, NO_TIME where a line has none; any other column float64,
            NaN where a line has none. A column that no line of this feed has is absent.
    """

    end: NDArray[np.int64]
    values: dict[str, Values]


class _Block(NamedTuple):
    keys: tuple[str, ...]
    end: NDArray[np.int64]
    values: list[Values]


class LineParser:
    """Reads lines of pairs; see `lines` for the formats.

    columns     names in order, with the unit as suffix; None to wait for a header or for lines
                that name their values
    counts_full_scale, reference_v
                scale of a column in counts: volts = counts * reference_v / counts_full_scale
    max_line    longest line in characters; longer lines are dropped
    whole_file  the data begins with a complete line. Otherwise the first line may be incomplete: it
                is dropped unless its content proves it complete.

    Raises ValueError with a text for the user if the columns are invalid. The last line of a file
    may lack its terminator: feed one.
    """

    def __init__(
        self,
        columns: Sequence[str] | None = None,
        counts_full_scale: int | None = None,
        reference_v: float | None = None,
        max_line: int = 1024,
        *,
        whole_file: bool = False,
    ) -> None:
        if not 0 < max_line <= LONGEST_LINE:
            raise ValueError(f"max_line must be from 1 to {LONGEST_LINE}")
        self.counters: dict[str, int] = dict.fromkeys((*REASONS, "lines"), 0)
        self.rejected: tuple[str, bytes] | None = None  # reason and text of the last dropped line
        self._scale = Scale(counts_full_scale, reference_v)
        self._layout = None if columns is None else layout(tuple(columns), self._scale)
        self._max_line = max_line
        self._whole_file = whole_file
        self._tail = b""
        self._first = True  # no terminator received yet
        self._discarding = False  # inside an overlong line
        self._steps = [inf, inf]
        self._names = {"forward_v", "reflected_v", *_TIMES}
        self._most_decimals = [_NONE_SEEN, _NONE_SEEN]
        self._current: Layout | None = None  # the columns of the rows being collected
        self._rows: list[list[float]] = []
        self._ends: list[int] = []
        self._blocks: list[_Block] = []
        self._below: set[bytes] = set()  # lines known to be so by these volts and columns
        self._below_by: tuple[tuple[float, float], Layout | None] | None = None
        if self._layout is not None:
            self._expect(self._layout)

    @property
    def columns(self) -> tuple[str, ...] | None:
        """Names of the columns in order, None while unknown."""
        return (
            None if self._layout is None else tuple(column.name for column in self._layout.columns)
        )

    @property
    def step_v(self) -> tuple[float, float]:
        """Resolution of the forward and the reflected reading in volts; 0 if unknown."""
        forward, reflected = (0.0 if step == inf else step for step in self._steps)
        return forward, reflected

    def reset(self) -> None:
        """Discard the incomplete line after the link was reopened."""
        if self._tail.strip(b" \t"):
            self.counters["partial"] += 1
        self._tail = b""
        self._first = True
        self._discarding = False

    def is_below(self, data: bytes, volts: tuple[float, float]) -> bool:
        """True if `data` has lines, is short, and all complete lines are pairs below `volts`.

        What precedes the first terminator may be the end of a line and is not looked at.
        """
        if len(data) > MOST_PEEKED or self._layout is None:
            return False
        complete = data.splitlines()[1 : None if data.endswith((b"\n", b"\r")) else -1]
        if self._below_by != (volts, self._layout) or len(self._below) > MOST_BELOW:
            self._below_by = volts, self._layout
            self._below.clear()
        new = set(complete) - self._below
        if not all(lines.is_below(line, self._layout, self._scale, volts) for line in new):
            return False
        self._below |= new
        return bool(complete)

    def feed(self, data: bytes) -> Parsed | None:
        """Take the next bytes; return the pairs that they complete."""
        carried = len(self._tail)
        if carried:
            data = self._tail + data
        stop = max(data.rfind(b"\n"), data.rfind(b"\r")) + 1
        begin = self._begin(data) if stop and (self._first or self._discarding) else 0
        if stop - begin < 8 * _FEWEST_LINES:
            self._read(data, begin, stop)
        else:
            self._read_chunks(data, begin, stop)
        self._store_tail(data[stop:])
        return self._parsed(carried)

    def _store_tail(self, tail: bytes) -> None:
        if self._discarding:
            return
        if len(tail) > self._max_line:
            self.counters["overlong"] += 1
            self._discarding = True
            tail = b""
        self._tail = tail

    def _begin(self, data: bytes) -> int:
        """Process the line that the first terminator ends; return the start of the next."""
        end = min(place for place in (data.find(b"\n"), data.find(b"\r")) if place >= 0)
        self._first = False
        if self._discarding:
            self._discarding = False
            return end + 1
        line = data[:end]
        if self._whole_file:
            line = line.removeprefix(_BYTE_ORDER_MARK)
        if not line.strip(b" \t"):
            return end + 1
        # The end of a line cannot look like a header or like named values that include both sides.
        if (
            self._whole_file
            or len(line) > self._max_line
            or not isinstance(lines.read(line, None, self._scale), str)
        ):
            self._read_line(line, end + 1)
        else:
            self.counters["partial"] += 1
        return end + 1

    def _read_chunks(self, data: bytes, begin: int, stop: int) -> None:
        while begin < stop:
            end = begin + CHUNK_BYTES
            if end >= stop:
                end = stop
            else:
                # Without a terminator this is an overlong line: the chunk contains nothing else.
                end = max(data.rfind(b"\n", begin, end), data.rfind(b"\r", begin, end)) + 1
                end = end or stop
                end += data[end - 1 : end + 1] == b"\r\n"
            begin = self._read_chunk(data, begin, end)

    def _read_chunk(self, data: bytes, begin: int, end: int) -> int:
        """Read complete lines; return the position reached: `end`, or less if columns changed."""
        chunk = data[begin:end]
        result = None
        if self._layout is not None and _has_lines(chunk, _FEWEST_LINES):
            result = bulk.scan(chunk, self._layout, self._max_line)
        if result is None:
            self._read(data, begin, end)
            return end
        columns = self._layout
        limit = len(chunk)
        for start, stop in result.odd:
            self._read_line(chunk[start:stop], begin + stop + 1)
            if self._layout is not columns:
                limit = stop + 1
                break
        assert columns is not None
        self._take(columns, result, begin, limit)
        return begin + limit

    def _read(self, data: bytes, begin: int, end: int) -> None:
        for match in _LINE.finditer(data, begin, end):
            self._read_line(match[1], match.end())

    def _read_line(self, line: bytes, end: int) -> None:
        if len(line) > self._max_line:
            self.counters["overlong"] += 1
            return
        result = lines.read(line, self._layout, self._scale)
        if isinstance(result, tuple):
            columns, values, forward, reflected = result
            if columns is not self._current:
                self._expect(columns)
            self._rows.append(values)
            self._ends.append(end)
            # A number has more decimals than any before only if it is longer or contains 'e-'.
            if len(forward) > self._most_decimals[0] + 2 or b"-" in forward:
                self._note_decimals(columns, 0, lines.decimals(forward))
            if len(reflected) > self._most_decimals[1] + 2 or b"-" in reflected:
                self._note_decimals(columns, 1, lines.decimals(reflected))
        elif isinstance(result, str):
            if result != "malformed" or line.strip(b" \t"):
                self.counters[result] += 1
                self.rejected = (result, line)
        elif self._layout is None or result.columns != self._layout.columns:
            self._layout = result
            self._expect(result)

    def _expect(self, columns: Layout) -> None:
        """Prepare for rows with these columns."""
        self._flush()
        self._current = columns
        self._most_decimals = [_NONE_SEEN, _NONE_SEEN]
        for key in columns.keys:
            if len(self._names) < MOST_COLUMNS:
                self._names.add(key)

    def _note_decimals(self, columns: Layout, side: int, decimals: int) -> None:
        self._most_decimals[side] = max(self._most_decimals[side], decimals)
        column = columns.columns[columns.reflected if side else columns.forward]
        self._steps[side] = min(self._steps[side], column.step(decimals))

    def _take(self, columns: Layout, result: bulk.Scan, begin: int, limit: int) -> None:
        """Add the bulk-read pairs up to `limit` of the chunk that began at `begin`."""
        good = result.ends <= limit
        offered = np.count_nonzero(good)
        for column, readings in zip(columns.columns, result.values, strict=True):
            if column.limited:
                good &= (readings >= column.low) & (readings <= column.high)
        count = np.count_nonzero(good)
        self.counters["out_of_range"] += int(offered - count)
        if not count:
            return
        if self._current is not columns:
            self._expect(columns)
        end, values, decimals = result.ends, result.values, result.decimals
        if count < len(good):
            end, values = end[good], [v[good] for v in values]
            decimals = [d if isinstance(d, int) else d[good] for d in decimals]
        for side, i in enumerate((columns.forward, columns.reflected)):
            self._note_decimals(columns, side, int(np.max(decimals[i])))
            column = columns.columns[i]
            if column.factor != 1 or column.divisor != 1:
                readings = values[i].astype(np.float64)
                values[i] = np.divide(readings * column.factor, column.divisor, out=readings)
        self._blocks.append(_Block(columns.keys, end + begin, values))

    def _flush(self) -> None:
        """Turn the rows read individually into a block."""
        if not self._rows:
            return
        assert self._current is not None
        keys = self._current.keys
        values: list[Values] = [
            np.array(column, dtype=np.int64 if key in _TIMES else np.float64)
            for key, column in zip(keys, zip(*self._rows, strict=True), strict=True)
        ]
        self._blocks.append(_Block(keys, np.array(self._ends, dtype=np.int64), values))
        self._rows.clear()
        self._ends.clear()

    def _parsed(self, carried: int) -> Parsed | None:
        self._flush()
        blocks = self._blocks
        if not blocks:
            return None
        self._blocks = []
        keys, end, columns = blocks[0] if len(blocks) == 1 else _joined(blocks, self._names)
        self.counters["lines"] += len(end)
        named = zip(keys, columns, strict=True)
        return Parsed(
            end - carried if carried else end,
            {key: column for key, column in named if key in self._names},
        )


def _has_lines(chunk: bytes, least: int) -> bool:
    """True if there are at least so many terminators; most chunks show it at their start."""
    return any(
        chunk.count(b"\n", 0, end) + chunk.count(b"\r", 0, end) >= least
        for end in (_FEWEST_LINES << 6, len(chunk))
    )


def _joined(blocks: list[_Block], names: set[str]) -> _Block:
    keys = tuple(dict.fromkeys(key for block in blocks for key in block.keys if key in names))
    end = np.concatenate([block.end for block in blocks])
    columns = [np.concatenate([_column_of(block, key) for block in blocks]) for key in keys]
    # Irregular lines were read separately from the plain ones around them.
    if (end[1:] < end[:-1]).any():
        order = np.argsort(end)
        end, columns = end[order], [column[order] for column in columns]
    return _Block(keys, end, columns)


def _column_of(block: _Block, key: str) -> Values:
    if key in block.keys:
        return block.values[block.keys.index(key)]
    if key in _TIMES:
        return np.full(len(block.end), NO_TIME, dtype=np.int64)
    return np.full(len(block.end), np.nan)
