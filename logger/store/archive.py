"""Archive of raw pairs, for reading; see `archive_writer`.

No two segments overlap in time, so the index alone finds the segment of a moment.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from drivers.contract import SampleBlock, join
from logger.blocks import Times
from logger.store.database import Database
from logger.store.segments import SegmentError, decode, decode_times

log = logging.getLogger("mismatchd")

EARLIEST_NS = -(2**63)
NEXT = (
    "SELECT first_ns, last_ns, data FROM segments WHERE first_ns >="
    " coalesce((SELECT max(first_ns) FROM segments WHERE first_ns <= ?1), ?1)"
    " AND first_ns < ?2 AND last_ns >= ?1 ORDER BY first_ns LIMIT 16"
)


class Segment(NamedTuple):
    """A row of the archive; `data` is described in `segments`."""

    first_ns: int
    last_ns: int
    data: bytes

    def pairs(self) -> SampleBlock | None:
        """Decode the pairs; return None, with a log message, if damaged."""
        try:
            block = decode(self.data)
        except SegmentError as error:
            self._log(error)
            return None
        times = self._moved(block.time_ns)
        return block if times is block.time_ns else replace(block, time_ns=times)

    def times(self) -> Times | None:
        """Decode the times of the pairs; return None, with a log message, if damaged."""
        try:
            return self._moved(decode_times(self.data))
        except SegmentError as error:
            self._log(error)
            return None

    def _moved(self, times: Times) -> Times:
        """Shift the times to the row's own, which moves when a wrong clock is corrected."""
        by_ns = self.first_ns - int(times[0])
        return times + by_ns if by_ns else times

    def _log(self, error: SegmentError) -> None:
        log.error("archive segment at %d ns left out: %s", self.first_ns, error)


class Archive:
    """Archived pairs in the store's database. Methods raise StoreError."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def blocks(self, since_ns: int, until_ns: int) -> Iterator[SampleBlock]:
        """Yield the archived pairs of [since_ns, until_ns) in time order.

        A damaged segment is logged and skipped. No read transaction stays open between blocks.
        """
        for segment in self.segments(since_ns, until_ns):
            block = segment.pairs()
            if block is None:
                continue
            if segment.first_ns < since_ns or segment.last_ns >= until_ns:
                block = block[(block.time_ns >= since_ns) & (block.time_ns < until_ns)]
            if len(block):
                yield block
            since_ns = segment.last_ns + 1  # the next may have been merged with this one

    def times(self) -> Iterator[tuple[int, int, Times | None]]:
        """Yield the first and last time of each segment, and the times of its pairs.

        The latter are None if the segment is damaged. Several times as fast as `blocks`.
        """
        for segment in self.segments(EARLIEST_NS, -EARLIEST_NS - 1):
            yield segment.first_ns, segment.last_ns, segment.times()

    def spread(self, since_ns: int, until_ns: int, most: int) -> Iterator[SampleBlock]:
        """Yield complete segments that begin in the time range, at most `most`, evenly chosen."""
        rows = self._database.query(
            "SELECT first_ns FROM segments WHERE first_ns >= ? AND first_ns < ? AND pairs > 0"
            " ORDER BY first_ns",
            (since_ns, until_ns),
        )
        firsts = [first_ns for (first_ns,) in rows]
        count = min(len(firsts), most)
        for place in range(count):
            first_ns = firsts[(2 * place + 1) * len(firsts) // (2 * count)]
            segment = self.segment_at(first_ns)
            if segment is not None and (pairs := segment.pairs()) is not None:
                yield pairs

    def segment_at(self, first_ns: int) -> Segment | None:
        """Return the segment that begins with a pair at this time, if any."""
        row = self._database.query_row(
            "SELECT first_ns, last_ns, data FROM segments WHERE first_ns = ?", (first_ns,)
        )
        return None if row is None else Segment(*row)

    def segments(self, since_ns: int, until_ns: int) -> Iterator[Segment]:
        """Yield the segments that overlap [since_ns, until_ns), in order.

        They are read a few at a time, each read starting at the next time, since they may be merged
        in the meantime.
        """
        while rows := self._database.query(NEXT, (since_ns, until_ns)):
            yield from map(Segment._make, rows)
            since_ns = rows[-1][1] + 1

    def index(self, since_ns: int, until_ns: int) -> list[tuple[int, int, int]]:
        """Return first time, last time and number of pairs of segments that begin in a period."""
        return self._database.query(
            "SELECT first_ns, last_ns, pairs FROM segments WHERE first_ns >= ? AND first_ns < ?"
            " AND pairs > 0 ORDER BY first_ns",
            (since_ns, until_ns),
        )

    def runs(self) -> Times:
        """Return the start times of the daemon's runs in the archive, ascending, (n,)."""
        rows = self._database.query("SELECT first_ns FROM runs ORDER BY first_ns")
        return np.array([row[0] for row in rows], dtype=np.int64)

    def pairs(self) -> int:
        """Return the number of pairs."""
        return int(self._database.query_value("SELECT coalesce(sum(pairs), 0) FROM segments"))


def grid(block: SampleBlock) -> tuple[tuple[float, float], float | None, bool]:
    """Return the properties that a segment stores once for all its pairs."""
    return block.step_v, block.full_scale_v, block.clock_step


def join_alike(blocks: Iterable[SampleBlock], least: float = math.inf) -> Iterator[SampleBlock]:
    """Join consecutive blocks into fewer.

    Each grows until it has `least` pairs or the next block differs in the properties that a segment
    stores once.
    """
    group: list[SampleBlock] = []
    count = 0
    for block in blocks:
        if group and (count >= least or block.gap or grid(block) != grid(group[0])):
            yield join(group)
            group, count = [], 0
        group.append(block)
        count += len(block)
    if group:
        yield join(group)


def same(a: SampleBlock, b: SampleBlock) -> bool:
    """True if two blocks are equal, bit for bit."""
    columns = (
        (a.forward_v, b.forward_v),
        (a.reflected_v, b.reflected_v),
        *((a.aux.get(name, np.empty(0)), column) for name, column in b.aux.items()),
    )
    return (
        grid(a) == grid(b)
        and a.gap == b.gap
        and list(a.aux) == list(b.aux)
        and np.array_equal(a.time_ns, b.time_ns)
        and all(np.array_equal(x.view(np.int64), y.view(np.int64)) for x, y in columns)
    )
