"""Archive of raw pairs: appended in small segments, merged into large, expired by age and size.

Every change of several rows is within the caller's transaction or one of its own. No two segments
overlap in time, so the index alone finds the segment of a moment. Methods raise StoreError.
"""

from __future__ import annotations

import logging
import math
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from drivers.contract import SampleBlock, join
from logger.blocks import Times
from logger.store import captures, retention
from logger.store.schema import errors_of, transaction
from logger.store.segments import SegmentError, decode, decode_times, encode

log = logging.getLogger("mismatchd")

MERGED_PAIRS = 131_072  # larger segments need hardly fewer bytes per pair
MOST_SMALL = 4096  # most small segments searched at the start; older ones stay small
LONG_AGO_NS = -(2**63)
PUT = "INSERT INTO segments (first_ns, last_ns, pairs, merged, data) VALUES (?, ?, ?, ?, ?)"
NEXT = (
    "SELECT first_ns, last_ns, data FROM segments WHERE first_ns >="
    " coalesce((SELECT max(first_ns) FROM segments WHERE first_ns <= ?1), ?1)"
    " AND first_ns < ?2 AND last_ns >= ?1 ORDER BY first_ns LIMIT 16"
)


class _Segment(NamedTuple):
    first_ns: int
    last_ns: int
    data: bytes

    def pairs(self) -> SampleBlock | None:
        """Decode the pairs; return None, with a log message, if damaged."""
        try:
            block = decode(self.data)
        except SegmentError as error:
            self._leave_out(error)
            return None
        times = self._moved(block.time_ns)
        return block if times is block.time_ns else replace(block, time_ns=times)

    def times(self) -> Times | None:
        """Decode the times of the pairs; return None, with a log message, if damaged."""
        try:
            return self._moved(decode_times(self.data))
        except SegmentError as error:
            self._leave_out(error)
            return None

    def _moved(self, times: Times) -> Times:
        """Shift the times to the row's own, which moves when a wrong clock is corrected."""
        by_ns = self.first_ns - int(times[0])
        return times + by_ns if by_ns else times

    def _leave_out(self, error: SegmentError) -> None:
        log.error("archive segment at %d ns left out: %s", self.first_ns, error)


class Archive:
    """Archive on the store's own connection."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self._path = path
        self.reload()

    def reload(self) -> None:
        """Read the state of the archive again after another component has changed it."""
        connection = self._connection
        self._newest_ns = LONG_AGO_NS
        self._appended_ns: int | None = None  # end of what has been appended
        self._small: dict[int, int] = {}  # pairs of segments not merged yet, by their first time
        newest = connection.execute(
            "SELECT first_ns, last_ns, pairs, merged FROM segments ORDER BY first_ns DESC LIMIT ?",
            (MOST_SMALL,),
        )
        for first_ns, last_ns, pairs, merged in newest:
            self._newest_ns = max(self._newest_ns, last_ns)
            if merged:
                break
            self._small[first_ns] = pairs

    def append(self, blocks: Sequence[SampleBlock], begins_ns: Sequence[int]) -> None:
        """Add consecutive pairs, within the caller's transaction.

        Pairs at times that are already present are not added again. `begins_ns` are the first times
        of runs of the daemon.
        """
        for whole in joined(blocks):
            for begin in range(0, len(whole), MERGED_PAIRS):
                self._append(whole[begin : begin + MERGED_PAIRS])
        with errors_of(self._path):
            self._connection.executemany(
                "INSERT OR IGNORE INTO runs VALUES (?)", [(begin,) for begin in begins_ns]
            )

    def _append(self, block: SampleBlock) -> None:
        first_ns, last_ns = _first_ns(block), int(block.time_ns[-1])
        since_ns = first_ns
        if self._appended_ns is not None and self._appended_ns < first_ns:
            since_ns = self._appended_ns + 1
        self._appended_ns = last_ns
        if since_ns > self._newest_ns:
            self._put(block)
            return
        # Replayed again, or the clock was set back.
        known: list[SampleBlock] = []
        for segment in list(self._segments(since_ns, last_ns + 1)):
            pairs = segment.pairs()
            if pairs is None:
                self._give_way(segment, since_ns, last_ns)
            elif segment.last_ns >= first_ns:
                known.append(pairs)
                block = block[~np.isin(block.time_ns, pairs.time_ns)]
        if not len(block):
            return
        if known:
            self._delete([_first_ns(one) for one in known])
            block = join([*known, block])
            block = block[np.argsort(block.time_ns)]
        self._put(block)

    def _give_way(self, damaged: _Segment, since_ns: int, last_ns: int) -> None:
        """Replace a damaged segment whose time from `since_ns` to `last_ns` is replayed.

        The rest of its time is marked, so that rows derived from it stay as they are.
        """
        self._delete([damaged.first_ns])
        for begin_ns, end_ns in ((damaged.first_ns, since_ns - 1), (last_ns + 1, damaged.last_ns)):
            if begin_ns <= end_ns:
                self._run(PUT, (begin_ns, end_ns, 0, True, b""))

    def merge(self) -> int:
        """Merge small segments once they fill a large one; return the number of pairs merged.

        The large one is read back before the small ones are deleted.
        """
        if sum(self._small.values()) < MERGED_PAIRS:
            return 0
        merged = 0
        kept: list[SampleBlock] = []
        with errors_of(self._path), transaction(self._connection):
            for group in self._neighbours():
                if sum(map(len, group)) < MERGED_PAIRS and _first_ns(group[-1]) == max(self._small):
                    kept = group  # still growing
                elif len(group) > 1:
                    merged += self._merge(group)
        self._small = {_first_ns(block): len(block) for block in kept}
        return merged

    def _neighbours(self) -> Iterator[list[SampleBlock]]:
        """Yield groups of small segments that are adjacent, on one grid and not too long."""
        group: list[SampleBlock] = []
        small = self._small
        for segment in self._segments(min(small), max(small) + 1):
            block = segment.pairs() if segment.first_ns in small else None
            if group and (
                block is None
                or block.gap
                or _grid(block) != _grid(group[0])
                or sum(map(len, group)) >= MERGED_PAIRS
            ):
                yield group
                group = []
            if block is not None:
                group.append(block)
        if group:
            yield group

    def _merge(self, group: list[SampleBlock]) -> int:
        whole = join(group)
        data = encode(whole)
        if not same(decode(data), whole):
            log.error("%s: segments cannot be merged; left unchanged", self._path)
            return 0
        self._run_many(
            "DELETE FROM segments WHERE first_ns = ?", [(_first_ns(block),) for block in group]
        )
        self._run(PUT, (_first_ns(whole), int(whole.time_ns[-1]), len(whole), True, data))
        return len(whole)

    def blocks(self, since_ns: int, until_ns: int) -> Iterator[SampleBlock]:
        """Yield the archived pairs of [since_ns, until_ns) in time order.

        A damaged segment is logged and skipped. No read transaction stays open between blocks.
        """
        for segment in self._segments(since_ns, until_ns):
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
        for segment in self._segments(LONG_AGO_NS, -LONG_AGO_NS - 1):
            yield segment.first_ns, segment.last_ns, segment.times()

    def spread(self, since_ns: int, until_ns: int, most: int) -> Iterator[SampleBlock]:
        """Yield complete segments that begin in the time range, at most `most`, evenly chosen."""
        rows = self._run(
            "SELECT first_ns FROM segments WHERE first_ns >= ? AND first_ns < ? AND pairs > 0"
            " ORDER BY first_ns",
            (since_ns, until_ns),
        )
        firsts = [first_ns for (first_ns,) in rows]
        count = min(len(firsts), most)
        for place in range(count):
            first_ns = firsts[(2 * place + 1) * len(firsts) // (2 * count)]
            found = self._run(
                "SELECT first_ns, last_ns, data FROM segments WHERE first_ns = ?", (first_ns,)
            )
            for row in found:
                if (pairs := _Segment(*row).pairs()) is not None:
                    yield pairs

    def _segments(self, since_ns: int, until_ns: int) -> Iterator[_Segment]:
        """Yield the segments that overlap [since_ns, until_ns), in order.

        They are read a few at a time, each read starting at the next time, since they may be merged
        in the meantime.
        """
        while rows := self._run(NEXT, (since_ns, until_ns)):
            yield from map(_Segment._make, rows)
            since_ns = rows[-1][1] + 1

    def runs(self) -> Times:
        """Return the start times of the daemon's runs in the archive, ascending, (n,)."""
        rows = self._run("SELECT first_ns FROM runs ORDER BY first_ns")
        return np.array([row[0] for row in rows], dtype=np.int64)

    def pairs(self) -> int:
        """Return the number of pairs."""
        return int(self._run("SELECT coalesce(sum(pairs), 0) FROM segments")[0][0])

    def expire(self, before_ns: int, most_bytes: int | None) -> int:
        """Delete what `retention` selects; return the number of pairs deleted.

        These are the pairs of segments that end before a time, then the oldest beyond a size,
        except captured ones. The file does not shrink; its free pages are reused.
        """
        deleted = forgotten = 0
        with errors_of(self._path), transaction(self._connection):
            while True:
                rows = self._run(
                    "SELECT first_ns, last_ns, length(data), pairs FROM segments"
                    " WHERE ?1 OR last_ns < ?2 ORDER BY first_ns",
                    (most_bytes is not None, before_ns),
                )
                table = np.array(rows, dtype=np.int64).reshape(-1, 4)
                spans = captures.spans(self._connection)
                doomed, forget_ns = retention.plan(
                    table[:, 0], table[:, 1], table[:, 2], spans, before_ns, most_bytes
                )
                if forget_ns is not None:
                    forgotten += captures.forget(self._connection, forget_ns)
                    continue
                if not doomed.any():
                    break
                for first_ns, last_ns, _, count in table[doomed].tolist():
                    deleted += count - self._cut(first_ns, last_ns, spans)
        if forgotten:
            log.warning("captures exceed their share; deleted the %d oldest", forgotten)
        return deleted

    def _cut(self, first_ns: int, last_ns: int, spans: Times) -> int:
        """Reduce a segment to the pairs within spans, (k, 2); return how many remain."""
        touched = spans[(spans[:, 0] <= last_ns) & (spans[:, 1] >= first_ns)]
        pairs = None
        if len(touched):
            pairs = next(self._segments(first_ns, first_ns + 1)).pairs()
        self._delete([first_ns])
        if pairs is None:
            return 0
        at = retention.place(pairs.time_ns, touched)
        kept = retention.within(pairs.time_ns, touched)
        for number in range(len(touched)):
            part = np.flatnonzero(kept & (at == number))
            if len(part):
                # Never merged: a segment from one capture to another would hide that nothing is
                # left between them.
                self._put(pairs[int(part[0]) : int(part[-1]) + 1], merged=True)
        return int(kept.sum())

    def _put(self, block: SampleBlock, *, merged: bool = False) -> None:
        first_ns, last_ns = _first_ns(block), int(block.time_ns[-1])
        merged = merged or len(block) >= MERGED_PAIRS
        self._run(PUT, (first_ns, last_ns, len(block), merged, encode(block)))
        self._newest_ns = max(self._newest_ns, last_ns)
        if not merged:
            self._small[first_ns] = len(block)

    def _delete(self, rows: Iterable[int]) -> None:
        rows = list(rows)
        for first_ns in rows:
            self._small.pop(first_ns, None)
        self._run_many(
            "DELETE FROM segments WHERE first_ns = ?", [(first_ns,) for first_ns in rows]
        )

    def _run(self, statement: str, values: Sequence[Any] = ()) -> list[Any]:
        with errors_of(self._path):
            return self._connection.execute(statement, values).fetchall()

    def _run_many(self, statement: str, values: Sequence[Sequence[Any]]) -> None:
        with errors_of(self._path):
            self._connection.executemany(statement, values)


def _first_ns(block: SampleBlock) -> int:
    return int(block.time_ns[0])


def _grid(block: SampleBlock) -> tuple[tuple[float, float], float | None, bool]:
    """Return the properties that a segment stores once for all its pairs."""
    return block.step_v, block.full_scale_v, block.clock_step


def joined(blocks: Iterable[SampleBlock], least: float = math.inf) -> Iterator[SampleBlock]:
    """Join consecutive blocks into fewer.

    Each grows until it has `least` pairs or the next block differs in the properties that a segment
    stores once.
    """
    group: list[SampleBlock] = []
    count = 0
    for block in blocks:
        if group and (count >= least or block.gap or _grid(block) != _grid(group[0])):
            yield join(group)
            group, count = [], 0
        group.append(block)
        count += len(block)
    if group:
        yield join(group)


def same(one: SampleBlock, other: SampleBlock) -> bool:
    """True if two blocks are equal, bit for bit."""
    columns = (
        (one.forward_v, other.forward_v),
        (one.reflected_v, other.reflected_v),
        *((one.aux.get(name, np.empty(0)), column) for name, column in other.aux.items()),
    )
    return (
        _grid(one) == _grid(other)
        and one.gap == other.gap
        and list(one.aux) == list(other.aux)
        and np.array_equal(one.time_ns, other.time_ns)
        and all(np.array_equal(a.view(np.int64), b.view(np.int64)) for a, b in columns)
    )
