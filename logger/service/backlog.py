"""Ordered, bounded queue of rows waiting to be stored. No threads and no clocks.

A daemon with a full disk keeps running for days, so the queue must be bounded and cheap: raw pairs
are joined into large blocks, and only the latest state of a running transmission and of a rule's
memory is held. On overflow the oldest rows of the overflowing kind are dropped.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from drivers.contract import SampleBlock, join
from logger.rows import (
    AlarmChange,
    ChangeKind,
    ClockChange,
    Memory,
    Row,
    Samples,
    Second,
    Transmission,
)

MOST_PAIRS = 2_000_000  # about 50 MB, plus 16 MB for each auxiliary column
MOST_ROWS = 100_000  # limit for seconds, and for all others together
JOINED_PAIRS = 65_536  # blocks are joined up to that size,
LOOSE = 256  # once this many are smaller


class Backlog:
    """Holds rows until they are taken; `dropped` counts rows and pairs dropped on overflow."""

    def __init__(self) -> None:
        self.dropped = 0
        self._before: list[Row] = []  # up to the last change of the clock,
        self._before_pairs = 0  # number of raw pairs in them
        self._clear()

    def _clear(self) -> None:
        self._pairs = 0
        self._samples: list[Samples] = []
        self._loose = 0  # number of blocks at the end that have not been joined
        self._rows: list[Row] = []  # all others
        self._memories: dict[str, Memory] = {}
        self._seconds = 0
        self._goes_on: tuple[int, int] | None = None  # start of a transmission, index of its row

    def __len__(self) -> int:
        others = len(self._rows) + len(self._memories)
        return len(self._before) + others + len(self._samples)

    @property
    def pairs(self) -> int:
        """Number of raw pairs."""
        return self._before_pairs + self._pairs

    def add(self, rows: list[Row]) -> None:
        """Append rows."""
        for row in rows:
            if isinstance(row, ClockChange):  # the times before it and after do not mix
                self._before = [*self.rows(), row]
                self._before_pairs = self.pairs
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
                if self._goes_on is not None and self._goes_on[0] == row.start_ns:
                    self._rows[self._goes_on[1]] = row  # it must precede its seconds
                    continue
                self._goes_on = row.start_ns, len(self._rows)
            self._seconds += isinstance(row, Second)
            self._rows.append(row)
        if self._loose >= LOOSE:
            self._join()
        if self.pairs > MOST_PAIRS:
            self._drop_pairs()
        if self._seconds > MOST_ROWS or len(self._rows) - self._seconds > MOST_ROWS:
            self._drop_rows()

    def rows(self) -> list[Row]:
        """Return all rows in the order to store them, without removing them."""
        return [*self._before, *self._samples, *self._rows, *self._memories.values()]

    def counts(self) -> tuple[int, int]:
        """Return the number of rows other than raw pairs, and the number of raw pairs."""
        before = sum(not isinstance(row, Samples) for row in self._before)
        return before + len(self._rows) + len(self._memories), self.pairs

    def raised_before(self, kinds: Iterable[str]) -> None:
        """Drop the first raising of each of these kinds: their alarms are open in the store."""
        for kind in kinds:
            for rows, place in self._places():
                row = rows[place]
                if isinstance(row, AlarmChange) and row.kind == kind:
                    if row.change == ChangeKind.RAISED:
                        del rows[place]
                        self._goes_on = None
                    break

    def forget_memories(self) -> None:
        """Drop the memories of rules."""
        self._memories.clear()
        self._before = [row for row in self._before if not isinstance(row, Memory)]

    def _places(self) -> Iterator[tuple[list[Row], int]]:
        for rows in (self._before, self._rows):
            for place in range(len(rows)):
                yield rows, place

    def take(self) -> list[Row]:
        """Remove all rows and return them in the order to store them."""
        rows = self.rows()
        self._before, self._before_pairs = [], 0
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
        if self._before_pairs:
            kept: list[Row] = []
            for row in self._before:
                if isinstance(row, Samples) and self.pairs > MOST_PAIRS:
                    self._before_pairs -= len(row.block)
                    self.dropped += len(row.block)
                else:
                    kept.append(row)
            self._before = kept
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
        others = len(self._rows) - self._seconds
        seconds = self._seconds // 2 if self._seconds > MOST_ROWS else 0
        others = others // 2 if others > MOST_ROWS else 0
        kept: list[Row] = []
        whole: set[int] = set()  # transmissions to which seconds may refer
        for row in self._rows:
            if isinstance(row, Second):
                seconds, drop = seconds - 1, seconds > 0 or row.start_ns not in whole
            else:
                others, drop = others - 1, others > 0
            self.dropped += drop
            if not drop:
                kept.append(row)
                if isinstance(row, Transmission):
                    whole.add(row.start_ns)
        self._rows = kept
        self._seconds = sum(isinstance(row, Second) for row in kept)
        self._goes_on = None
