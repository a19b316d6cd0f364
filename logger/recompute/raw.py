"""Derives rows again from archived pairs, by the same pipeline as live pairs.

The stages restart where a run of the daemon began, but keep what the rules have learned from the
archive by then. The same calibration and rules give the same rows; others give the rows that they
would have given. Everything is one transaction of the store, so a crash leaves the old rows.

Where pairs are missing (expired, damaged, lost with a storage card), rows of transmissions that had
more pairs than are archived stay unchanged. A transmission cut short by a crash gains the pairs
that were archived but not yet counted.

Raised alarms stay, as they were reported. An alarm that would have been raised and was not is
added, and marked so; it is deleted again when it would no longer be raised, unless it was
acknowledged. Excursions are detected again. Captures follow both.
"""

from __future__ import annotations

import bisect
import functools
import itertools
import operator
import sqlite3
from collections.abc import Callable, Iterator
from typing import NamedTuple, TypeVar

import msgspec
import numpy as np

from logger.blocks import Times
from logger.calibration.coupler import Coupler
from logger.config.load import Config
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, ChangeKind, Excursion, Flag, Memory, Row, Second, Transmission
from logger.stages.selection import BEFORE_NS
from logger.store import captures
from logger.store.archive import Archive, joined
from logger.store.database import CLOSE, Store
from logger.watchdog import no_data

EVER_NS = 2**62
SECOND_NS = 1_000_000_000
BLOCK_PAIRS = 65_536  # small segments are processed together
HINDSIGHT = " (in hindsight)"
AROUND_NS = 2_000_000_000  # longest distance of an alarm from its transmission

Progress = Callable[[int, int], None]
R = TypeVar("R", Transmission, Second)


class RawSummary(NamedTuple):
    """Numbers of pairs read, rows derived, transmissions deleted, alarms added and withdrawn."""

    pairs: int
    transmissions: int
    seconds: int
    gone: int
    alarms: int
    withdrawn: int


def recompute(
    store: Store,
    connection: sqlite3.Connection,
    config: Config,
    coupler: Coupler,
    progress: Progress = lambda done, of: None,
) -> RawSummary:
    """Derive again all that the archive covers, in the caller's transaction on `connection`.

    Raises StoreError.
    """
    archive = store.archive
    total, done = archive.pairs(), 0
    work_ns = store.work()
    connection.execute(CLOSE, (int(Flag.INTERRUPTED),))
    derived = _Derived(store, connection, round(config.transmission.hang_ms * 1e6))
    for stretch in _stretches(archive, connection):
        pipeline: Pipeline | None = None
        last_ns = stretch.since_ns
        for block in joined(archive.blocks(stretch.since_ns, stretch.until_ns), BLOCK_PAIRS):
            if pipeline is None:
                derived.begin(int(block.time_ns[0]), stretch)
                pipeline = Pipeline(
                    config, coupler, derived.open_kinds, derived.memories, archive=False
                )
                pipeline.know_work(work_ns)
            last_ns = int(block.time_ns[-1])
            derived.put(pipeline.process(block))
            done += len(block)
            progress(done, total)
        if pipeline is not None:
            derived.end(pipeline.finish(), last_ns)
    gone, alarms, withdrawn = derived.finish()
    return RawSummary(done, len(derived.spans), derived.seconds, gone, alarms, withdrawn)


class _Stretch(NamedTuple):
    """Period that the stages process at once; `torn` if a transmission at its end is incomplete."""

    since_ns: int
    until_ns: int
    torn: bool


def _stretches(archive: Archive, connection: sqlite3.Connection) -> Iterator[_Stretch]:
    """Yield the periods of the archive, split at starts of the daemon and at missing pairs."""
    edges = [-EVER_NS, *archive.runs().tolist(), EVER_NS]
    holes = _holes(archive, connection)
    for since_ns, until_ns in itertools.pairwise(edges):
        begin_ns = since_ns
        for first_ns, last_ns in holes:
            if begin_ns <= first_ns < until_ns:
                yield _Stretch(begin_ns, first_ns, torn=True)
            if first_ns < until_ns:
                begin_ns = max(begin_ns, last_ns + 1)
        if begin_ns < until_ns:
            yield _Stretch(begin_ns, until_ns, torn=False)


def _holes(archive: Archive, connection: sqlite3.Connection) -> list[tuple[int, int]]:
    """Return start and end of unreadable parts of the archive, in order.

    Transmissions that had more pairs than are archived are included.
    """
    told: Times | None = None
    damaged = []
    for first_ns, last_ns, times in archive.times():
        if told is None:
            told = np.array(
                connection.execute(
                    "SELECT start_ns, end_ns, samples FROM transmissions WHERE end_ns >= ?"
                    " ORDER BY start_ns",
                    (first_ns,),
                ).fetchall(),
                dtype=np.int64,
            ).reshape(-1, 3)
        if times is None:
            damaged.append((first_ns, last_ns))
            continue
        starts, ends, missing = told.T
        some = slice(
            int(np.searchsorted(ends, first_ns)),
            int(np.searchsorted(starts, last_ns, side="right")),
        )
        missing[some] -= np.searchsorted(times, ends[some], side="right")
        missing[some] += np.searchsorted(times, starts[some])
    if told is None:
        return []
    lacking = told[told[:, 2] > 0, :2]
    return sorted([*damaged, *map(tuple, lacking.tolist())])


class _Told(NamedTuple):
    """Transmission as stored."""

    id: int
    start_ns: int
    end_ns: int
    flags: int


class _Derived:
    """Writes derived rows to the store and tracks what they cover.

    hang_ns     a longer pause ends a transmission
    spans       end of each transmission by its start
    open_kinds  kinds of open alarms
    memories    what rules have learned so far
    """

    def __init__(self, store: Store, connection: sqlite3.Connection, hang_ns: int) -> None:
        self._store = store
        self._connection = connection
        self._margin_ns = max(BEFORE_NS, hang_ns)
        # Of the stretch: time from which transmissions are whole, flag of one cut short.
        self._whole_ns, self._cut = 0, Flag(0)
        self._torn = True
        self._seconds: dict[int, list[Second]] = {}  # of transmissions in progress
        self._covered: list[tuple[int, int]] = []
        self._alarms: list[tuple[AlarmChange, int]] = []  # raised alarm, and the time it cleared
        self._excursions: dict[int, Excursion] = {}  # by time; the last version counts
        self.spans: dict[int, int] = {}
        self.seconds = 0
        self.open_kinds: set[str] = set()
        self.memories: dict[str, bytes] = {}

    def begin(self, first_ns: int, stretch: _Stretch) -> None:
        """Begin a stretch with the pair at `first_ns`."""
        begun = first_ns == stretch.since_ns  # False if the start of the run is missing
        if self._torn or not begun:
            self.open_kinds = self._told_open(first_ns)
        self._whole_ns = first_ns if begun else first_ns + self._margin_ns
        last = self._told_before(stretch.until_ns)
        self._cut = Flag(last.flags) & Flag.INTERRUPTED if last.start_ns >= first_ns else Flag(0)
        self._torn = stretch.torn

    def put(self, rows: list[Row]) -> None:
        """Store rows of whole transmissions; alarms wait until the end."""
        ended: list[Transmission] = []
        for row in rows:
            if isinstance(row, AlarmChange):
                self._note(row)
            elif isinstance(row, Excursion):
                self._excursions[row.time_ns] = row
            elif isinstance(row, Memory):
                self.memories[row.rule] = row.content
            elif isinstance(row, Second):
                self._seconds.setdefault(row.start_ns, []).append(row)
            elif isinstance(row, Transmission) and row.ended:
                ended.append(row)
        whole: list[tuple[Transmission, list[Second]]] = []
        for row in ended:
            seconds = self._seconds.pop(row.start_ns, [])
            if row.start_ns < self._whole_ns:
                self._whole_ns = max(self._whole_ns, row.end_ns + 1)
            else:
                whole.append((row, seconds))
        if whole:
            self._put(whole)

    def _put(self, rows: list[tuple[Transmission, list[Second]]]) -> None:
        told = self._told_between(rows[0][0].start_ns, rows[-1][0].end_ns)
        doubts = [one for one in told if one.flags & Flag.CLOCK_STEP]
        rows = [
            self._doubtful(row, seconds)
            if any(one.start_ns <= row.end_ns and one.end_ns >= row.start_ns for one in doubts)
            else (row, seconds)
            for row, seconds in rows
        ]
        transmissions = [row for row, _ in rows]
        every = [second for _, seconds in rows for second in seconds]
        self._store.put_again(transmissions, every)
        spans = {row.start_ns: row.end_ns for row in transmissions}
        again = [one for one in told if one.start_ns in spans]
        self._drop_seconds(again, {second.time_ns for second in every})
        self.spans |= spans
        self.seconds += len(every)

    def _doubtful(
        self, row: Transmission, seconds: list[Second]
    ) -> tuple[Transmission, list[Second]]:
        """Keep the clock-step flag of times that had it, even if pairs were moved to them later."""
        told = dict(
            self._connection.execute(
                "SELECT time_ns, flags FROM seconds WHERE time_ns BETWEEN ? AND ?",
                (row.start_ns - SECOND_NS, row.end_ns),
            ).fetchall()
        )

        def flag(second: Second) -> Flag:
            # Moved ones do not start on the second.
            near = [flags for at, flags in told.items() if abs(at - second.time_ns) < SECOND_NS]
            flags = [told[second.time_ns]] if second.time_ns in told else near
            return Flag(functools.reduce(operator.or_, flags, 0)) & Flag.CLOCK_STEP

        return _flagged(row, Flag.CLOCK_STEP), [
            _flagged(second, flag(second)) for second in seconds
        ]

    def _drop_seconds(self, told: list[_Told], kept: set[int]) -> None:
        """Delete stored seconds of transmissions `told` that were not derived again."""
        if not told:
            return
        ids = {one.id for one in told}
        rows = self._connection.execute(
            "SELECT time_ns, transmission_id FROM seconds WHERE time_ns BETWEEN ? AND ?",
            (told[0].start_ns, max(one.end_ns for one in told)),
        ).fetchall()
        self._connection.executemany(
            "DELETE FROM seconds WHERE time_ns = ?",
            [(at,) for at, owner in rows if owner in ids and at not in kept],
        )

    def end(self, rows: list[Row], last_ns: int) -> None:
        """End a stretch with the pair at `last_ns`; `rows` are of what is in progress then."""
        until_ns = last_ns
        if self._torn:
            starts = [row.start_ns - 1 for row in rows if isinstance(row, Transmission)]
            until_ns = min([last_ns, *starts])
        else:
            self.put(
                [_flagged(row, self._cut) if isinstance(row, Transmission) else row for row in rows]
            )
        self._seconds.clear()
        self._covered.append((self._whole_ns, until_ns))

    def _note(self, change: AlarmChange) -> None:
        if change.change == ChangeKind.RAISED:
            self.open_kinds.add(change.kind)
            self._alarms.append((change, EVER_NS))
            return
        self.open_kinds.discard(change.kind)
        for number, (raised, cleared_ns) in enumerate(self._alarms):
            if raised.kind == change.kind and cleared_ns == EVER_NS:
                self._alarms[number] = (raised, change.time_ns)

    def _told_between(self, since_ns: int, until_ns: int) -> list[_Told]:
        """Return the stored transmissions that overlap a period, in order."""
        rows = self._connection.execute(
            "SELECT id, start_ns, end_ns, flags FROM transmissions WHERE start_ns BETWEEN ? AND ?"
            " ORDER BY start_ns",
            (min(since_ns, self._told_before(since_ns).start_ns), until_ns),
        )
        return [_Told(*row) for row in rows]

    def _told_before(self, time_ns: int) -> _Told:
        """Return the last stored transmission that began before a time."""
        row = self._connection.execute(
            "SELECT id, start_ns, end_ns, flags FROM transmissions WHERE start_ns < ?"
            " ORDER BY start_ns DESC LIMIT 1",
            (time_ns,),
        ).fetchone()
        return _Told(*row) if row else _Told(0, -EVER_NS, -EVER_NS, 0)

    def _told_open(self, time_ns: int) -> set[str]:
        """Return the kinds of stored alarms that were open at a time."""
        rows = self._connection.execute(
            "SELECT kind FROM alarms"
            " WHERE raised_ns < ?1 AND (cleared_ns IS NULL OR cleared_ns >= ?1)",
            (time_ns,),
        )
        return {kind for (kind,) in rows}

    def finish(self) -> tuple[int, int, int]:
        """Delete former transmissions, add and withdraw alarms; return the three numbers."""
        self._covered = sorted(span for span in self._covered if span[0] <= span[1])
        gone = [
            told
            for span in self._covered
            for told in map(
                _Told._make,
                self._connection.execute(
                    "SELECT id, start_ns, end_ns, flags FROM transmissions"
                    " WHERE start_ns BETWEEN ? AND ?",
                    span,
                ),
            )
            if told.start_ns not in self.spans
        ]
        for told in gone:
            self._drop_seconds([told], set())
            self._connection.execute("DELETE FROM transmissions WHERE id = ?", (told.id,))
        withdrawn = self._withdraw()
        self._renew_excursions()
        self._point_alarms()
        self._store.put([Memory(*each) for each in self.memories.items()])
        added = sum(self._add(raised, cleared) for raised, cleared in self._alarms)
        return len(gone), added, withdrawn

    def _withdraw(self) -> int:
        """Delete alarms added by an earlier recomputation that are not raised the same now."""
        raised = {(one.kind, one.time_ns, one.detail + HINDSIGHT) for one, _ in self._alarms}
        doomed = [
            (alarm_id, capture_id)
            for alarm_id, capture_id, *alarm in self._connection.execute(
                "SELECT id, capture_id, kind, raised_ns, detail FROM alarms"
                " WHERE acknowledged_ns IS NULL AND detail LIKE '%' || ?",
                (HINDSIGHT,),
            )
            if tuple(alarm) not in raised and self._covers(alarm[1])
        ]
        for table, column in (("alarm_changes", "alarm_id"), ("alarms", "id")):
            self._connection.executemany(
                f"DELETE FROM {table} WHERE {column} = ?", [each[:1] for each in doomed]
            )
        captures.release(self._connection, [capture_id for _, capture_id in doomed])
        return len(doomed)

    def _renew_excursions(self) -> None:
        """Delete excursions that are no longer detected; store the others, which may differ."""
        before: list[int | None] = []
        for span in self._covered:
            for excursion_id, time_ns, capture_id in self._connection.execute(
                "SELECT id, time_ns, capture_id FROM excursions WHERE time_ns BETWEEN ? AND ?", span
            ).fetchall():
                before.append(capture_id)
                if time_ns not in self._excursions:
                    self._connection.execute("DELETE FROM excursions WHERE id = ?", (excursion_id,))
        found = self._excursions.values()
        self._store.put([row for row in found if self._covers(row.time_ns)])
        captures.release(self._connection, before)

    def _covers(self, time_ns: int) -> bool:
        at = bisect.bisect_right(self._covered, (time_ns, EVER_NS)) - 1
        return at >= 0 and time_ns <= self._covered[at][1]

    def _point_alarms(self) -> None:
        """Set the transmission of alarms to the one that they were raised in."""
        execute = self._connection.execute
        margin_ns = self._margin_ns + AROUND_NS
        lost = execute(
            "SELECT a.id, a.raised_ns, a.transmission_id FROM alarms AS a"
            " LEFT JOIN transmissions AS t ON t.id = a.transmission_id WHERE a.kind != ? AND"
            " (t.id IS NULL OR a.raised_ns NOT BETWEEN t.start_ns AND t.end_ns + ?)",
            (no_data.KIND, margin_ns),
        ).fetchall()
        for alarm_id, raised_ns, named in lost:
            told = self._told_before(raised_ns)
            near_ns = 0 if named is None else margin_ns
            found = told.id if raised_ns <= told.end_ns + near_ns else None
            if found == named:
                continue
            execute("UPDATE alarms SET transmission_id = ? WHERE id = ?", (found, alarm_id))
            execute(  # touched, so that it is forwarded again
                "UPDATE alarm_changes SET alarm_id = alarm_id"
                " WHERE id = (SELECT max(id) FROM alarm_changes WHERE alarm_id = ?)",
                (alarm_id,),
            )

    def _add(self, raised: AlarmChange, cleared_ns: int) -> bool:
        """Add an alarm unless one of its kind was raised in the same transmission or was open."""
        if raised.start_ns is None or raised.start_ns not in self.spans:
            return False
        since_ns, until_ns = raised.start_ns - AROUND_NS, self.spans[raised.start_ns] + AROUND_NS
        known = self._connection.execute(
            "SELECT 1 FROM alarms WHERE kind = ?1 AND (raised_ns BETWEEN ?2 AND ?3"
            " OR raised_ns < ?4 AND (cleared_ns IS NULL OR cleared_ns >= ?4))",
            (raised.kind, since_ns, until_ns, raised.time_ns),
        ).fetchone()
        if known:
            return False
        said = msgspec.structs.replace(raised, detail=raised.detail + HINDSIGHT)
        self._store.put([said])
        self._connection.execute(
            "UPDATE alarms SET cleared_ns = ? WHERE kind = ? AND raised_ns = ?",
            (cleared_ns if cleared_ns < EVER_NS else until_ns, raised.kind, raised.time_ns),
        )
        return True


def _flagged(row: R, flag: Flag) -> R:
    return msgspec.structs.replace(row, flags=row.flags | int(flag))
