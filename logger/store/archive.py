"""The raw pairs in the store: appended in small segments, merged into large ones, expired by age
and size. Every change of several rows is the caller's transaction or one of its own."""

from __future__ import annotations

import itertools
import logging
import sqlite3
from collections.abc import Iterator, Sequence

import numpy as np

from drivers.contract import SampleBlock, join
from logger.blocks import Times
from logger.store.schema import transaction
from logger.store.segments import SegmentError, decode, encode, is_sound

log = logging.getLogger("mismatchd")

MERGED_PAIRS = 131_072  # larger ones are hardly smaller by the pair
MOST_SMALL = 4096  # looked for at the start; older ones stay small
LONG_AGO_NS = -(2**63)
PUT = "INSERT INTO segments (first_ns, last_ns, pairs, merged, data) VALUES (?, ?, ?, ?, ?)"


class Archive:
    """On the store's own connection."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        newest = connection.execute(
            "SELECT first_ns, last_ns, pairs, merged FROM segments ORDER BY first_ns DESC LIMIT ?",
            (MOST_SMALL,),
        ).fetchall()
        self._newest_ns: int = newest[0][1] if newest else LONG_AGO_NS
        small = itertools.takewhile(lambda row: not row[3], newest)
        self._small = {first_ns: pairs for first_ns, _, pairs, _ in reversed(list(small))}

    def append(self, blocks: Sequence[SampleBlock], begins_ns: Sequence[int]) -> None:
        """Add consecutive pairs as one segment, within the caller's transaction.

        Pairs of a time that is there already are not added again. `begins_ns` are the times with
        which runs of the daemon begin.
        """
        block = join(blocks)
        if int(block.time_ns[0]) <= self._newest_ns:  # played again
            known, rows = self._overlapping(block)
            block = _without(block, known)
            block = block[np.argsort(block.time_ns)] if known else block
            self._delete(rows)
        self._put(block, merged=len(block) >= MERGED_PAIRS and not self._small)
        self._connection.executemany(
            "INSERT OR IGNORE INTO runs VALUES (?)", [(begin,) for begin in begins_ns]
        )

    def merge(self) -> int:
        """Merge small segments once they make a large one; how many pairs were merged.

        The large one is read back before the small ones go.
        """
        if sum(self._small.values()) < MERGED_PAIRS:
            return 0
        read = ((first_ns, self._read(first_ns)) for first_ns in self._small)
        blocks = [block for _, block in read if block is not None]
        with transaction(self._connection):
            for group in _alike(blocks):
                whole = join(group)
                data = encode(whole)
                if not same(decode(data), whole):
                    raise sqlite3.IntegrityError("segments do not read back as they were")
                self._delete([int(block.time_ns[0]) for block in group])
                self._put(whole, merged=True, data=data)
        self._small.clear()
        return sum(map(len, blocks))

    def damaged(self) -> list[tuple[int, int]]:
        """First and last time of segments that are not as they were written."""
        return [
            (first_ns, last_ns)
            for first_ns, last_ns, data in self._connection.execute(
                "SELECT first_ns, last_ns, data FROM segments ORDER BY first_ns"
            )
            if not is_sound(data)
        ]

    def blocks(self, since_ns: int, until_ns: int) -> Iterator[SampleBlock]:
        """The archived pairs of [since_ns, until_ns) in time order.

        A damaged segment is told in the log and left out. Nothing is held open between blocks.
        """
        since_ns = max(since_ns, LONG_AGO_NS + 1)
        start = self._connection.execute(
            "SELECT first_ns FROM segments WHERE first_ns <= ? ORDER BY first_ns DESC LIMIT 1",
            (since_ns,),
        ).fetchone()
        after_ns = start[0] - 1 if start else since_ns - 1
        while True:
            row = self._connection.execute(
                "SELECT first_ns FROM segments WHERE first_ns > ? AND first_ns < ?"
                " ORDER BY first_ns LIMIT 1",
                (after_ns, until_ns),
            ).fetchone()
            if row is None:
                return
            after_ns = row[0]
            block = self._read(after_ns)
            if block is None:
                continue
            if after_ns < since_ns or block.time_ns[-1] >= until_ns:
                block = block[(block.time_ns >= since_ns) & (block.time_ns < until_ns)]
            if len(block):
                yield block

    def runs(self) -> Times:
        """When the daemon's runs begin in the archive, rising, (n,)."""
        rows = self._connection.execute("SELECT first_ns FROM runs ORDER BY first_ns").fetchall()
        return np.array([row[0] for row in rows], dtype=np.int64)

    def pairs(self) -> int:
        """How many pairs there are."""
        found = self._connection.execute("SELECT coalesce(sum(pairs), 0) FROM segments")
        return int(found.fetchone()[0])

    def expire(self, before_ns: int, most_bytes: int | None) -> int:
        """Delete segments that end before a time, then the oldest beyond a size; pairs deleted.

        The file does not shrink; its free pages are used again.
        """
        doomed: list[tuple[int, int]] = self._connection.execute(
            "SELECT first_ns, pairs FROM segments WHERE last_ns < ?", (before_ns,)
        ).fetchall()
        if most_bytes is not None:
            total = 0
            gone = {first_ns for first_ns, _ in doomed}
            for first_ns, pairs, size in self._connection.execute(
                "SELECT first_ns, pairs, length(data) FROM segments ORDER BY first_ns DESC"
            ):
                total += size
                if total > most_bytes and first_ns not in gone:
                    doomed.append((first_ns, pairs))
        if doomed:
            with transaction(self._connection):
                self._delete([first_ns for first_ns, _ in doomed])
        return sum(pairs for _, pairs in doomed)

    def _put(self, block: SampleBlock, *, merged: bool, data: bytes | None = None) -> None:
        first_ns, last_ns = int(block.time_ns[0]), int(block.time_ns[-1])
        self._connection.execute(
            PUT, (first_ns, last_ns, len(block), merged, data or encode(block))
        )
        self._newest_ns = max(self._newest_ns, last_ns)
        if not merged:
            self._small[first_ns] = len(block)

    def _read(self, first_ns: int) -> SampleBlock | None:
        row = self._connection.execute(
            "SELECT data FROM segments WHERE first_ns = ?", (first_ns,)
        ).fetchone()
        try:
            return None if row is None else decode(row[0])
        except SegmentError as error:
            log.error("the archive from %d ns on: %s; it is left out", first_ns, error)
            return None

    def _delete(self, rows: Sequence[int]) -> None:
        for first_ns in rows:
            self._small.pop(first_ns, None)
        self._connection.executemany(
            "DELETE FROM segments WHERE first_ns = ?", [(first_ns,) for first_ns in rows]
        )

    def _overlapping(self, block: SampleBlock) -> tuple[list[SampleBlock], list[int]]:
        """Segments that share time with a block, and their rows."""
        rows = self._connection.execute(
            "SELECT first_ns FROM segments WHERE first_ns <= ? AND last_ns >= ? ORDER BY first_ns",
            (int(block.time_ns[-1]), int(block.time_ns[0])),
        ).fetchall()
        found = [(row[0], self._read(row[0])) for row in rows]
        return [known for _, known in found if known is not None], [
            first_ns for first_ns, known in found if known is not None
        ]


def _without(block: SampleBlock, known: list[SampleBlock]) -> SampleBlock:
    """The known blocks and what of a block has other times than they."""
    if not known:
        return block
    fresh = block[~np.isin(block.time_ns, np.concatenate([one.time_ns for one in known]))]
    return join([*known, fresh]) if len(fresh) else join(known)


def _alike(blocks: list[SampleBlock]) -> Iterator[list[SampleBlock]]:
    """Runs of blocks with the same resolution and end of scale, which a segment holds once."""
    group: list[SampleBlock] = []
    for block in blocks:
        if group and (block.step_v, block.full_scale_v) != (
            group[0].step_v,
            group[0].full_scale_v,
        ):
            yield group
            group = []
        group.append(block)
    if group:
        yield group


def same(one: SampleBlock, other: SampleBlock) -> bool:
    """Whether two blocks hold the same pairs, bit for bit."""
    columns = (
        (one.forward_v, other.forward_v),
        (one.reflected_v, other.reflected_v),
        *((one.aux.get(name, np.empty(0)), column) for name, column in other.aux.items()),
    )
    return np.array_equal(one.time_ns, other.time_ns) and all(
        np.array_equal(a.view(np.int64), b.view(np.int64)) for a, b in columns
    )
