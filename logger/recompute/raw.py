"""Derives rows again from archived pairs, by the one path that live pairs took.

The stages start afresh where a run of the daemon began. With the calibration and the rules of the
time the same rows come out; with others, the rows that these would have given. All of it is one
transaction of the store, so that a crash leaves the old rows.

Alarms that were raised stay, for they were told. One that would have been raised and was not is
added, and says so.
"""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Callable, Iterator
from typing import NamedTuple

import msgspec

from logger.calibration.coupler import Coupler
from logger.config import Config
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Flag, Row, Second, Transmission
from logger.selection import BEFORE_NS
from logger.store.archive import Archive
from logger.store.database import Store

EVER_NS = 2**62
HINDSIGHT = " (in hindsight)"
AROUND_NS = 2_000_000_000  # an alarm belongs to a transmission if it is that near

Progress = Callable[[int, int], None]


class Summary(NamedTuple):
    """What came of it: pairs read, rows derived, transmissions that are none any more, alarms
    added in hindsight."""

    pairs: int
    transmissions: int
    seconds: int
    gone: int
    alarms: int


def recompute(
    store: Store,
    connection: sqlite3.Connection,
    config: Config,
    coupler: Coupler,
    progress: Progress = lambda done, of: None,
) -> Summary:
    """Derive again all that the archive covers, within a transaction of the caller on
    `connection`. Raises StoreError."""
    archive = store.archive
    total, done = archive.pairs(), 0
    derived = _Derived(store, connection)
    for stretch in _stretches(archive):
        pipeline = Pipeline(config, coupler)
        first_ns = last_ns = None
        for block in archive.blocks(stretch.since_ns, stretch.until_ns):
            if first_ns is None:
                first_ns = int(block.time_ns[0])
                derived.begin(first_ns if first_ns == stretch.since_ns else first_ns + BEFORE_NS)
            last_ns = int(block.time_ns[-1])
            derived.put(pipeline.process(block))
            done += len(block)
            progress(done, total)
        if last_ns is not None:
            derived.end([] if stretch.torn else pipeline.finish(), last_ns)
    gone, alarms = derived.finish()
    return Summary(done, len(derived.spans), derived.seconds, gone, alarms)


class _Stretch(NamedTuple):
    """A time that the stages see in one go; `torn` if what goes on at its end is not whole."""

    since_ns: int
    until_ns: int
    torn: bool


def _stretches(archive: Archive) -> Iterator[_Stretch]:
    """The archive, cut where runs of the daemon began and where it is damaged."""
    edges = [-EVER_NS, *archive.runs().tolist(), EVER_NS]
    damaged = archive.damaged()
    for since_ns, until_ns in itertools.pairwise(edges):
        begin_ns = since_ns
        for first_ns, last_ns in damaged:
            if begin_ns <= first_ns < until_ns:
                yield _Stretch(begin_ns, first_ns, torn=True)
                begin_ns = last_ns + 1
        yield _Stretch(begin_ns, until_ns, torn=False)


class _Derived:
    """Puts rows into the store and remembers what they cover.

    spans  start and end of each transmission
    """

    def __init__(self, store: Store, connection: sqlite3.Connection) -> None:
        self._store = store
        self._connection = connection
        self._whole_ns = 0
        self._covered: list[tuple[int, int]] = []
        self._alarms: list[tuple[AlarmChange, int]] = []  # raised, and when it cleared
        self.spans: dict[int, int] = {}
        self.seconds = 0

    def begin(self, whole_ns: int) -> None:
        """A stretch begins; transmissions from `whole_ns` on are whole."""
        self._whole_ns = whole_ns

    def put(self, rows: list[Row]) -> None:
        """Store rows of whole transmissions; alarms wait until all is known."""
        kept: list[Row] = []
        for row in rows:
            if isinstance(row, AlarmChange):
                self._note(row)
            elif isinstance(row, Transmission | Second) and row.start_ns >= self._whole_ns:
                kept.append(row)
                self.seconds += isinstance(row, Second)
                if isinstance(row, Transmission) and row.ended:
                    self.spans[row.start_ns] = row.end_ns
        self._store.put(kept)
        for row in kept:
            if isinstance(row, Transmission) and row.ended:  # it may have been longer before
                self._connection.execute(
                    "DELETE FROM seconds WHERE transmission_id ="
                    " (SELECT id FROM transmissions WHERE start_ns = ?) AND time_ns > ?",
                    (row.start_ns, row.end_ns),
                )

    def _note(self, change: AlarmChange) -> None:
        if change.change == "raised":
            self._alarms.append((change, EVER_NS))
            return
        for number in reversed(range(len(self._alarms))):
            raised, _ = self._alarms[number]
            if raised.kind == change.kind:
                self._alarms[number] = (raised, change.time_ns)
                return

    def end(self, rows: list[Row], last_ns: int) -> None:
        """A stretch ends; what went on then was cut short if it was said to be at the time."""
        self.put([self._as_told(row) for row in rows])
        self._covered.append((self._whole_ns, last_ns))

    def _as_told(self, row: Row) -> Row:
        if not isinstance(row, Transmission):
            return row
        told = self._connection.execute(
            "SELECT flags FROM transmissions WHERE start_ns = ?", (row.start_ns,)
        ).fetchone()
        interrupted = int(Flag.INTERRUPTED)
        if told is None or not told[0] & interrupted:
            return row
        return msgspec.structs.replace(row, flags=row.flags | interrupted)

    def finish(self) -> tuple[int, int]:
        """Take away what is no transmission any more, add alarms; the number of both."""
        execute = self._connection.execute
        execute("CREATE TEMP TABLE derived (start_ns INTEGER PRIMARY KEY)")
        try:
            self._connection.executemany(
                "INSERT INTO derived VALUES (?)", [(start_ns,) for start_ns in self.spans]
            )
            gone = [
                row[0]
                for since_ns, until_ns in self._covered
                for row in execute(
                    "SELECT id FROM transmissions WHERE start_ns BETWEEN ? AND ?"
                    " AND start_ns NOT IN (SELECT start_ns FROM derived)",
                    (since_ns, until_ns),
                )
            ]
        finally:
            execute("DROP TABLE derived")
        for transmission_id in gone:
            execute("DELETE FROM seconds WHERE transmission_id = ?", (transmission_id,))
            execute("DELETE FROM transmissions WHERE id = ?", (transmission_id,))
            execute(
                "UPDATE alarms SET transmission_id = (SELECT id FROM transmissions AS t"
                " WHERE alarms.raised_ns BETWEEN t.start_ns AND t.end_ns + ?)"
                " WHERE transmission_id = ?",
                (AROUND_NS, transmission_id),
            )
        return len(gone), sum(self._add(raised, cleared) for raised, cleared in self._alarms)

    def _add(self, raised: AlarmChange, cleared_ns: int) -> bool:
        """Add an alarm unless one of its kind was raised in the same transmission."""
        if raised.start_ns is None or raised.start_ns not in self.spans:
            return False
        span = raised.start_ns - AROUND_NS, self.spans[raised.start_ns] + AROUND_NS
        known = self._connection.execute(
            "SELECT 1 FROM alarms WHERE kind = ? AND raised_ns BETWEEN ? AND ?",
            (raised.kind, *span),
        ).fetchone()
        if known:
            return False
        said = msgspec.structs.replace(raised, detail=raised.detail + HINDSIGHT)
        self._store.put([said])
        self._connection.execute(
            "UPDATE alarms SET cleared_ns = ? WHERE kind = ? AND raised_ns = ?",
            (cleared_ns if cleared_ns < EVER_NS else span[1], raised.kind, raised.time_ns),
        )
        return True
