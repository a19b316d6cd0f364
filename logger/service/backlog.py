"""Ordered, bounded queue of rows waiting to be stored. No threads and no clocks.

A daemon with a full disk keeps running for days, so the queue must be bounded and cheap: raw pairs
are joined into large blocks, and only the latest state of a running transmission and of a rule's
memory is held. On overflow the oldest rows of the overflowing kind are dropped.
"""

from __future__ import annotations

from collections.abc import Iterable

from drivers.contract import SampleBlock, join
from logger.rows import (
    AlarmChange,
    ChangeKind,
    ClockChange,
    Memory,
    Row,
    Samples,
    SecondRows,
    Transmission,
)

MOST_PAIRS = 2_000_000  # about 50 MB, plus 16 MB for each auxiliary column
MOST_ROWS = 100_000  # limit for seconds, and for all others together
JOINED_PAIRS = 65_536  # blocks are joined up to that size,
LOOSE = 256  # once this many are smaller

Held = tuple[type[Row], ...]


class Backlog:
    """Holds rows until they are taken; `dropped` counts rows and pairs dropped on overflow."""

    def __init__(self) -> None:
        self.dropped = 0
        self._older: list[Row] = []  # up to the last change of the clock,
        self._older_pairs = 0  # number of raw pairs in them
        self._clear()

    def _clear(self) -> None:
        self._pairs = 0
        self._samples: list[Samples] = []
        self._loose = 0  # number of blocks at the end that have not been joined
        self._rows: list[Row] = []  # all others
        self._memories: dict[str, Memory] = {}
        self._seconds = self._others = 0  # rows of seconds, and others of `_rows`
        self._running: tuple[int, int] | None = None  # start of a transmission, index of its row

    def __len__(self) -> int:
        other_rows = len(self._rows) + len(self._memories)
        return len(self._older) + other_rows + len(self._samples)

    @property
    def pairs(self) -> int:
        """Number of raw pairs."""
        return self._older_pairs + self._pairs

    def add(self, rows: list[Row]) -> None:
        """Append rows."""
        for row in rows:
            if isinstance(row, ClockChange):  # the times before it and after do not mix
                self._older = [*self.rows(), row]
                self._older_pairs = self.pairs
                self._clear()
                continue
            if isinstance(row, Memory):
                self._memories[row.rule] = row
                continue
            if isinstance(row, Samples):
                self._samples.append(row)
                self._loose += 1
                self._pairs += len(row.block)
                continue
            if isinstance(row, Transmission) and not row.ended:
                if self._running is not None and self._running[0] == row.start_ns:
                    self._rows[self._running[1]] = row  # it must precede its seconds
                    continue
                self._running = row.start_ns, len(self._rows)
            if isinstance(row, SecondRows):
                self._seconds += len(row)
            else:
                self._others += 1
            self._rows.append(row)
        if self._loose >= LOOSE:
            self._join()
        if self.pairs > MOST_PAIRS:
            self._drop_pairs()
        if self._seconds > MOST_ROWS or self._others > MOST_ROWS:
            self._drop_rows()

    def rows(self) -> list[Row]:
        """Return all rows in the order to store them, without removing them."""
        return [*self._older, *self._samples, *self._rows, *self._memories.values()]

    def rows_but(self, held: Held) -> list[Row]:
        """Return the rows without raw pairs and those of the kinds `held`.

        All rows if there is a change of the clock, beyond which nothing may be stored before.
        """
        if self._older:
            return self.rows()
        others = (row for row in self._rows if not isinstance(row, held))
        return [*others, *self._memories.values()]

    def take_but(self, held: Held) -> list[Row]:
        """Remove the rows of `rows_but` and return them in the order to store them."""
        if self._older:
            return self.take()
        rows = self.rows_but(held)
        self._rows = [row for row in self._rows if isinstance(row, held)]
        self._count_rows()
        self._memories.clear()
        self._running = None
        return rows

    def counts(self) -> tuple[int, int]:
        """Return the number of rows other than raw pairs, and the number of raw pairs."""
        rows = (*self._older, *self._rows, *self._memories.values())
        return sum(_count(row) for row in rows), self.pairs

    def raised_before(self, kinds: Iterable[str]) -> None:
        """Drop the first raising of each of these kinds: their alarms are open in the store."""
        pending = set(kinds)
        for rows in (self._older, self._rows):
            for row in list(rows):
                if isinstance(row, AlarmChange) and row.kind in pending:
                    pending.remove(row.kind)
                    if row.change == ChangeKind.RAISED:
                        rows.remove(row)
                        self._running = None

    def forget_memories(self) -> None:
        """Drop the memories of rules."""
        self._memories.clear()
        self._older = [row for row in self._older if not isinstance(row, Memory)]

    def take(self) -> list[Row]:
        """Remove all rows and return them in the order to store them."""
        rows = self.rows()
        self._older, self._older_pairs = [], 0
        self._clear()
        return rows

    def _join(self) -> None:
        begin = len(self._samples) - self._loose
        if begin and len(self._samples[begin - 1].block) < JOINED_PAIRS:
            begin -= 1
        joined: list[Samples] = []
        part: list[SampleBlock] = []
        size, begins = 0, False
        for row in self._samples[begin:]:
            if part and (row.begins or size >= JOINED_PAIRS):
                joined.append(Samples(join(part), begins))
                part, size, begins = [], 0, False
            begins |= row.begins
            size += len(row.block)
            part.append(row.block)
        self._samples[begin:] = [*joined, Samples(join(part), begins)]
        self._loose = 0

    def _drop_pairs(self) -> None:
        if self._older_pairs:
            remaining: list[Row] = []
            for row in self._older:
                if isinstance(row, Samples) and self.pairs > MOST_PAIRS:
                    self._older_pairs -= len(row.block)
                    self.dropped += len(row.block)
                else:
                    remaining.append(row)
            self._older = remaining
        count = 0
        while self.pairs > MOST_PAIRS:
            size = len(self._samples[count].block)
            self._pairs -= size
            self.dropped += size
            count += 1
        del self._samples[:count]
        self._loose = min(self._loose, len(self._samples))

    def _drop_rows(self) -> None:
        """Drop the older half of the overflowing rows, so that this is not repeated soon."""
        seconds = self._seconds // 2 if self._seconds > MOST_ROWS else 0
        other_rows = self._others // 2 if self._others > MOST_ROWS else 0
        remaining: list[Row] = []
        started: set[int] = set()  # transmissions to which seconds may refer
        for row in self._rows:
            if isinstance(row, SecondRows):
                seconds, drop = seconds - len(row), seconds > 0 or row.start_ns not in started
            else:
                other_rows, drop = other_rows - 1, other_rows > 0
            if drop:
                self.dropped += _count(row)
            else:
                remaining.append(row)
                if isinstance(row, Transmission):
                    started.add(row.start_ns)
        self._rows = remaining
        self._count_rows()
        self._running = None

    def _count_rows(self) -> None:
        self._seconds = sum(len(row) for row in self._rows if isinstance(row, SecondRows))
        self._others = sum(not isinstance(row, SecondRows) for row in self._rows)


def _count(row: Row) -> int:
    """Return the number of rows other than raw pairs."""
    return len(row) if isinstance(row, SecondRows) else int(not isinstance(row, Samples))
