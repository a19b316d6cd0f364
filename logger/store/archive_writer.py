"""Archive of raw pairs: appended in small segments, merged into large, expired by age and size.

Every change of several rows is within the caller's transaction or one of its own.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence

import numpy as np

from drivers.contract import SampleBlock, join
from logger.blocks import Times
from logger.store import captures, retention
from logger.store.archive import EARLIEST_NS, Archive, Segment, grid, join_alike, same
from logger.store.database import Database
from logger.store.pushed import Pushed
from logger.store.segments import decode, encode
from logger.utc import DAY_NS

log = logging.getLogger("mismatchd")

MERGED_PAIRS = 49_152  # larger segments save 1 % a pair and need more space until they are merged
# A segment that is stored with at least so many is left as it is: merging it would save 2 % of its
# space, and write all of it again.
LARGE_PAIRS = 8192
MOST_SMALL = 4096  # most small segments searched at the start; older ones stay small
INSERT = "INSERT INTO segments (first_ns, last_ns, pairs, merged, data) VALUES (?, ?, ?, ?, ?)"
DELETE = "DELETE FROM segments WHERE first_ns = ?"


class ArchiveWriter(Archive):
    """The archive as the store's writer changes it. Methods raise StoreError."""

    def __init__(self, database: Database) -> None:
        super().__init__(database)
        self.reload()

    def reload(self) -> None:
        """Read the state of the archive again after another component has changed it."""
        self._newest_ns = EARLIEST_NS
        self._appended_ns: int | None = None  # end of what has been appended
        self._small: dict[int, int] = {}  # pairs of segments not merged yet, by their first time
        newest = self._database.stream(
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
        for block in join_alike(blocks):
            for begin in range(0, len(block), MERGED_PAIRS):
                self._append(block[begin : begin + MERGED_PAIRS])
        self._database.execute_many(
            "INSERT OR IGNORE INTO runs VALUES (?)", [(begin,) for begin in begins_ns]
        )

    def _append(self, block: SampleBlock) -> None:
        first_ns, last_ns = _first_ns(block), int(block.time_ns[-1])
        since_ns = first_ns
        if self._appended_ns is not None and self._appended_ns < first_ns:
            since_ns = self._appended_ns + 1
        self._appended_ns = last_ns
        if since_ns > self._newest_ns:
            self._insert(block)
            return
        # Replayed again, or the clock was set back.
        archived: list[SampleBlock] = []
        for segment in list(self.segments(since_ns, last_ns + 1)):
            pairs = segment.pairs()
            if pairs is None:
                self._replace_damaged(segment, since_ns, last_ns)
            elif segment.last_ns >= first_ns:
                archived.append(pairs)
                block = block[~np.isin(block.time_ns, pairs.time_ns)]
        if not len(block):
            return
        if archived:
            self._delete(list(map(_first_ns, archived)))
            block = join([*archived, block])
            block = block[np.argsort(block.time_ns)]
        self._insert(block)

    def _replace_damaged(self, damaged: Segment, since_ns: int, last_ns: int) -> None:
        """Replace a damaged segment whose time from `since_ns` to `last_ns` is replayed.

        The rest of its time is marked, so that rows derived from it stay as they are.
        """
        self._delete([damaged.first_ns])
        for begin_ns, end_ns in ((damaged.first_ns, since_ns - 1), (last_ns + 1, damaged.last_ns)):
            if begin_ns <= end_ns:
                self._database.execute(INSERT, (begin_ns, end_ns, 0, True, b""))

    def merge(self) -> int:
        """Merge small segments once they fill a large one; return the number of pairs merged.

        The large one is read back before the small ones are deleted.
        """
        if sum(self._small.values()) < MERGED_PAIRS:
            return 0
        merged = 0
        growing: list[SampleBlock] = []
        with self._database.transaction():
            for group in self._neighbours():
                if sum(map(len, group)) < MERGED_PAIRS and _first_ns(group[-1]) == max(self._small):
                    growing = group
                elif len(group) > 1:
                    merged += self._merge(group)
        self._small = {_first_ns(block): len(block) for block in growing}
        return merged

    def _neighbours(self) -> Iterator[list[SampleBlock]]:
        """Yield groups of small segments that are adjacent, on one grid and not too long."""
        group: list[SampleBlock] = []
        small = self._small
        for segment in self.segments(min(small), max(small) + 1):
            block = segment.pairs() if segment.first_ns in small else None
            if group and (
                block is None
                or block.gap
                or grid(block) != grid(group[0])
                or sum(map(len, group)) >= MERGED_PAIRS
            ):
                yield group
                group = []
            if block is not None:
                group.append(block)
        if group:
            yield group

    def _merge(self, group: list[SampleBlock]) -> int:
        block = join(group)
        data = encode(block)
        if not same(decode(data), block):
            log.error("%s: segments cannot be merged; left unchanged", self._database.path)
            return 0
        self._database.execute_many(DELETE, [(_first_ns(small),) for small in group])
        self._insert(block, data)
        return len(block)

    def expire(self, before_ns: int, most_bytes: int | None, pushed: Pushed | None = None) -> int:
        """Delete what `retention` selects; return the number of pairs deleted.

        These are the pairs of segments that end before a time, then the oldest beyond a size,
        except captured ones. With `pushed`, only pairs that are acknowledged there; the others
        count as part of the size. The file does not shrink; its free pages are reused.
        """
        deleted = forgotten = 0
        with self._database.transaction():
            days = None if pushed is None else pushed.acknowledged_days()
            while True:
                rows = self._database.query(
                    "SELECT first_ns, last_ns, length(data), pairs FROM segments"
                    " WHERE ?1 OR last_ns < ?2 ORDER BY first_ns",
                    (most_bytes is not None, before_ns),
                )
                table = np.array(rows, dtype=np.int64).reshape(-1, 4)
                left_bytes = most_bytes
                if days is not None:
                    is_safe = np.isin(table[:, 0] // DAY_NS, list(days))
                    if most_bytes is not None:
                        left_bytes = max(0, most_bytes - int(table[~is_safe, 2].sum()))
                    table = table[is_safe]
                spans = captures.spans(self._database)
                doomed, forget_ns = retention.plan(
                    table[:, 0], table[:, 1], table[:, 2], spans, before_ns, left_bytes
                )
                if forget_ns is not None:
                    forgotten += captures.delete_until(self._database, forget_ns)
                    continue
                if not doomed.any():
                    break
                for first_ns, last_ns, _, count in table[doomed].tolist():
                    deleted += count - self._cut(first_ns, last_ns, spans)
            if pushed is not None and days and deleted:
                pushed.expired(days)
        if forgotten:
            log.warning("captures exceed their share; oldest deleted: %d", forgotten)
        return deleted

    def _cut(self, first_ns: int, last_ns: int, spans: Times) -> int:
        """Reduce a segment to the pairs within spans, (k, 2); return how many remain."""
        touched = spans[(spans[:, 0] <= last_ns) & (spans[:, 1] >= first_ns)]
        pairs = None
        if len(touched):
            pairs = next(self.segments(first_ns, first_ns + 1)).pairs()
        self._delete([first_ns])
        if pairs is None:
            return 0
        place = retention.place(pairs.time_ns, touched)
        captured = retention.within(pairs.time_ns, touched)
        for number in range(len(touched)):
            part = np.flatnonzero(captured & (place == number))
            if len(part):
                # Never merged: a segment from one capture to another would hide that nothing is
                # left between them.
                self._insert(pairs[int(part[0]) : int(part[-1]) + 1], merged=True)
        return int(captured.sum())

    def _insert(
        self, block: SampleBlock, data: bytes | None = None, *, merged: bool = False
    ) -> None:
        first_ns, last_ns = _first_ns(block), int(block.time_ns[-1])
        merged = merged or data is not None or len(block) >= min(LARGE_PAIRS, MERGED_PAIRS)
        values = (first_ns, last_ns, len(block), merged, data or encode(block))
        self._database.execute(INSERT, values)
        self._newest_ns = max(self._newest_ns, last_ns)
        if not merged:
            self._small[first_ns] = len(block)

    def _delete(self, rows: Sequence[int]) -> None:
        for first_ns in rows:
            self._small.pop(first_ns, None)
        self._database.execute_many(DELETE, [(first_ns,) for first_ns in rows])


def _first_ns(block: SampleBlock) -> int:
    return int(block.time_ns[0])
