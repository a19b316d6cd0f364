"""Rows that wait to be stored, in order and within bounds. No threads and no clocks.

A daemon whose disk is full goes on for days, so what it holds must have an end and cost little:
raw pairs are joined into large blocks, and of a transmission that goes on and of what a rule has
learned only the latest state is held. Of what is plenty the oldest gives way.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from drivers.contract import SampleBlock, join
from logger.rows import AlarmChange, ClockChange, Memory, Row, Samples, Second, Transmission

MOST_PAIRS = 2_000_000  # some 50 MB, and 16 for each auxiliary column
MOST_ROWS = 100_000  # seconds, and as many of all others
JOINED_PAIRS = 65_536  # blocks are joined up to that size,
LOOSE = 256  # once there are so many that are smaller


class Backlog:
    """Rows that were added, until they are taken; `dropped` counts rows and pairs given up."""

    def __init__(self) -> None:
        self.dropped = 0
        self._before: list[Row] = []  # up to the last change of the clock,
        self._before_pairs = 0  # with so many raw pairs
        self._clear()

    def _clear(self) -> None:
        self._pairs = 0
        self._samples: list[Samples] = []
        self._loose = 0  # so many at the end have not been joined
        self._rows: list[Row] = []  # all others
        self._memories: dict[str, Memory] = {}
        self._seconds = 0
        self._goes_on: tuple[int, int] | None = None  # start of a transmission, place of its row

    def __len__(self) -> int:
        others = len(self._rows) + len(self._memories)
        return len(self._before) + others + len(self._samples)

    @property
    def pairs(self) -> int:
        """How many raw pairs there are."""
        return self._before_pairs + self._pairs

    def add(self, rows: list[Row]) -> None:
        """Add rows behind those that are there."""
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
                    self._rows[self._goes_on[1]] = row  # before its seconds, as it must be
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
        """All rows in the order to store them; they stay."""
        return [*self._before, *self._samples, *self._rows, *self._memories.values()]

    def counts(self) -> tuple[int, int]:
        """How many rows other than raw pairs there are, and how many raw pairs."""
        before = sum(not isinstance(row, Samples) for row in self._before)
        return before + len(self._rows) + len(self._memories), self.pairs

    def raised_before(self, kinds: Iterable[str]) -> None:
        """Alarms of these kinds are open in the store: the first raising of each is none."""
        for kind in kinds:
            for rows, place in self._places():
                row = rows[place]
                if isinstance(row, AlarmChange) and row.kind == kind:
                    if row.change == "raised":
                        del rows[place]
                        self._goes_on = None
                    break

    def forget_memories(self) -> None:
        """What rules have learned is not to be stored."""
        self._memories.clear()
        self._before = [row for row in self._before if not isinstance(row, Memory)]

    def _places(self) -> Iterator[tuple[list[Row], int]]:
        for rows in (self._before, self._rows):
            for place in range(len(rows)):
                yield rows, place

    def take(self) -> list[Row]:
        """All rows in the order to store them, and then there are none."""
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
        """Drop the older half of what is too much, so that this is not done again soon."""
        others = len(self._rows) - self._seconds
        seconds = self._seconds // 2 if self._seconds > MOST_ROWS else 0
        others = others // 2 if others > MOST_ROWS else 0
        kept: list[Row] = []
        whole: set[int] = set()  # transmissions that seconds may refer to
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
