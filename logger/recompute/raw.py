"""Derives rows again from archived pairs, by the same pipeline as live pairs.

The stages restart where a run of the daemon began, but keep what the rules have learned from the
archive by then. The same calibration and rules give the same rows; others give the rows that they
would have given. Everything is one transaction of the store, so a crash leaves the old rows.

Where pairs are missing (expired, damaged, lost with a storage card), rows of transmissions that had
more pairs than are archived stay unchanged. A transmission cut short by a crash gains the pairs
that were archived but not yet counted.

Raised alarms stay, as they were reported. An alarm that would have been raised and was not is
added, and marked so; it is deleted again when it would no longer be raised, unless it was
acknowledged. Excursions are detected again. Captures and faults follow both.
"""

from __future__ import annotations

import bisect
import functools
import operator
from collections.abc import Callable
from typing import NamedTuple

import msgspec

from logger.calibration.coupler import Coupler
from logger.config.load import Config
from logger.recompute.antennas import name_antennas
from logger.recompute.plan import EVER_NS, Stretch, cut_parts, find_stretches
from logger.recompute.rules import RowRules
from logger.recompute.stages import Begin, PairWalk, Steps, select_open_kinds
from logger.recompute.workers import SIZES, LoneWalk, SharedWalk, Sizes, Walk, start_workers
from logger.rows import (
    AlarmChange,
    ChangeKind,
    Excursion,
    Flag,
    Memory,
    Row,
    SecondRows,
    Transmission,
)
from logger.stages.selection import BEFORE_NS
from logger.store import captures
from logger.store.regroup import regroup
from logger.store.writer import StoreWriter
from logger.watchdog import no_data

SECOND_NS = 1_000_000_000
HINDSIGHT = " (in hindsight)"
AROUND_NS = 2_000_000_000  # longest distance of an alarm from its transmission

Progress = Callable[[int, int], None]


class RawSummary(NamedTuple):
    """Numbers of pairs read, rows derived, transmissions deleted, alarms added and withdrawn.

    `renamed` transmissions without pairs were of another antenna.
    """

    pairs: int
    transmissions: int
    seconds: int
    deleted: int
    alarms: int
    withdrawn: int
    renamed: int = 0


def recompute(
    store: StoreWriter,
    config: Config,
    coupler: Coupler,
    progress: Progress = lambda done, of: None,
    jobs: int = 1,
    sizes: Sizes = SIZES,
) -> RawSummary:
    """Derive again all that the archive covers, in the caller's transaction. Raise StoreError."""
    archive = store.archive
    total = archive.pairs()
    notes = store.notes()
    store.close_interrupted()
    jobs = min(jobs, total // sizes.worker)
    with start_workers(jobs, config, coupler, store.path, notes) as crew:
        parts = cut_parts(archive, [*find_stretches(archive, store.database)], sizes.part)
        stages: Walk
        if crew is not None:
            stages = SharedWalk(crew, parts, jobs, sizes)
        else:
            stages = LoneWalk(PairWalk(config, coupler, store.database, notes), parts)
        return derive(store, config, coupler, stages, lambda done: progress(done, total))


def derive(
    store: StoreWriter,
    config: Config,
    coupler: Coupler,
    stages: Walk,
    progress: Callable[[int], None] = lambda done: None,
) -> RawSummary:
    """Derive rows again from what the stages find in all pairs. Raise StoreError.

    `progress` receives the number of pairs done.
    """
    done = 0
    notes = store.notes()
    derived = _Derived(store, round(config.transmission.hang_ms * 1e6))
    rules: RowRules | None = None
    for message in stages.messages():
        if isinstance(message, Begin):
            derived.begin(*message)
            rules = RowRules(config, coupler, notes.work_ns, derived.open_kinds, derived.memories)
            continue
        assert rules is not None
        rows = [row for step in message.steps for row in rules.process(step)]
        if isinstance(message, Steps):
            derived.take(rows)
            done += message.pairs
            progress(done)
        else:  # events cut short are not learned from
            rows = [row for row in rows if not isinstance(row, Memory)]
            derived.end(rows, message.last_ns)
    derived.take([*stages.memories()])
    deleted, alarms, withdrawn = derived.finish()
    renamed = name_antennas(store, config, derived.spans)
    regroup(store, config.faults)
    return RawSummary(
        done, len(derived.spans), derived.seconds, deleted, alarms, withdrawn, renamed
    )


class _StoredTransmission(NamedTuple):
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

    def __init__(self, store: StoreWriter, hang_ns: int) -> None:
        self._store = store
        self._database = store.database
        self._margin_ns = max(BEFORE_NS, hang_ns)
        # Of the stretch: time from which transmissions are complete, flag of one cut short.
        self._complete_ns, self._cut = 0, Flag(0)
        self._torn = True
        self._seconds: dict[int, list[SecondRows]] = {}  # of transmissions in progress
        self._covered: list[tuple[int, int]] = []
        self._alarms: list[tuple[AlarmChange, int]] = []  # raised alarm, and the time it cleared
        self._excursions: dict[int, Excursion] = {}  # by time; the last version counts
        self.spans: dict[int, int] = {}
        self.seconds = 0
        self.open_kinds: set[str] = set()
        self.memories: dict[str, bytes] = {}

    def begin(self, first_ns: int, stretch: Stretch) -> None:
        """Begin a stretch with the pair at `first_ns`."""
        begun = first_ns == stretch.since_ns  # False if the start of the run is missing
        if self._torn or not begun:
            self.open_kinds = {*select_open_kinds(self._database, first_ns)}
        self._complete_ns = first_ns if begun else first_ns + self._margin_ns
        last = self._select_before(stretch.until_ns)
        self._cut = Flag(last.flags) & Flag.INTERRUPTED if last.start_ns >= first_ns else Flag(0)
        self._torn = stretch.torn

    def take(self, rows: list[Row]) -> None:
        """Store rows of complete transmissions; alarms wait until the end."""
        ended: list[Transmission] = []
        for row in rows:
            if isinstance(row, AlarmChange):
                self._take_change(row)
            elif isinstance(row, Excursion):
                self._excursions[row.time_ns] = row
            elif isinstance(row, Memory):
                self.memories[row.rule] = row.content
            elif isinstance(row, SecondRows):
                self._seconds.setdefault(row.start_ns, []).append(row)
            elif isinstance(row, Transmission) and row.ended:
                ended.append(row)
        complete: list[tuple[Transmission, list[SecondRows]]] = []
        for row in ended:
            seconds = self._seconds.pop(row.start_ns, [])
            if row.start_ns < self._complete_ns:
                self._complete_ns = max(self._complete_ns, row.end_ns + 1)
            else:
                complete.append((row, seconds))
        if complete:
            self._rewrite(complete)

    def _rewrite(self, rows: list[tuple[Transmission, list[SecondRows]]]) -> None:
        since_ns = rows[0][0].start_ns
        since_ns = min(since_ns, self._select_before(since_ns).start_ns)
        stored = self._select_starts(since_ns, rows[-1][0].end_ns)
        doubtful = [row for row in stored if row.flags & Flag.CLOCK_STEP]
        rows = [
            self._keep_clock_steps(row, seconds)
            if any(old.start_ns <= row.end_ns and old.end_ns >= row.start_ns for old in doubtful)
            else (row, seconds)
            for row, seconds in rows
        ]
        transmissions = [row for row, _ in rows]
        seconds = [second for _, of_one in rows for second in of_one]
        self._store.rewrite(transmissions, seconds)
        spans = {row.start_ns: row.end_ns for row in transmissions}
        again = [row for row in stored if row.start_ns in spans]
        derived_ns = {time_ns for part in seconds for time_ns in part.time_ns.tolist()}
        self._delete_seconds(again, derived_ns)
        self.spans |= spans
        self.seconds += len(derived_ns)

    def _keep_clock_steps(
        self, row: Transmission, seconds: list[SecondRows]
    ) -> tuple[Transmission, list[SecondRows]]:
        """Keep the clock-step flag of times that had it, even if pairs were moved to them later."""
        stored = dict(
            self._database.query(
                "SELECT time_ns, flags FROM seconds WHERE time_ns BETWEEN ? AND ?",
                (row.start_ns - SECOND_NS, row.end_ns),
            )
        )

        def flag(time_ns: int) -> Flag:
            if time_ns in stored:
                return Flag(stored[time_ns]) & Flag.CLOCK_STEP
            near = [flags for at_ns, flags in stored.items() if abs(at_ns - time_ns) < SECOND_NS]
            # Moved ones do not start on the second.
            return Flag(functools.reduce(operator.or_, near, 0)) & Flag.CLOCK_STEP

        return _flagged(row, Flag.CLOCK_STEP), [
            msgspec.structs.replace(
                part, flags=part.flags | [flag(time_ns) for time_ns in part.time_ns.tolist()]
            )
            for part in seconds
        ]

    def _delete_seconds(
        self, transmissions: list[_StoredTransmission], derived_ns: set[int]
    ) -> None:
        """Delete stored seconds of transmissions that were not derived again."""
        if not transmissions:
            return
        ids = {transmission.id for transmission in transmissions}
        rows = self._database.query(
            "SELECT time_ns, transmission_id FROM seconds WHERE time_ns BETWEEN ? AND ?",
            (transmissions[0].start_ns, max(row.end_ns for row in transmissions)),
        )
        self._database.execute_many(
            "DELETE FROM seconds WHERE time_ns = ?",
            [(time_ns,) for time_ns, id_ in rows if id_ in ids and time_ns not in derived_ns],
        )

    def end(self, rows: list[Row], last_ns: int) -> None:
        """End a stretch with the pair at `last_ns`; `rows` are of what is in progress then."""
        until_ns = last_ns
        if self._torn:
            starts = [row.start_ns - 1 for row in rows if isinstance(row, Transmission)]
            until_ns = min([last_ns, *starts])
        else:
            self.take(
                [_flagged(row, self._cut) if isinstance(row, Transmission) else row for row in rows]
            )
        self._seconds.clear()
        self._covered.append((self._complete_ns, until_ns))

    def _take_change(self, change: AlarmChange) -> None:
        if change.change == ChangeKind.RAISED:
            self.open_kinds.add(change.kind)
            self._alarms.append((change, EVER_NS))
            return
        self.open_kinds.discard(change.kind)
        for number, (raised, cleared_ns) in enumerate(self._alarms):
            if raised.kind == change.kind and cleared_ns == EVER_NS:
                self._alarms[number] = (raised, change.time_ns)

    def _select_starts(self, since_ns: int, until_ns: int) -> list[_StoredTransmission]:
        """Return the stored transmissions that begin in a period, in order."""
        rows = self._database.query(
            "SELECT id, start_ns, end_ns, flags FROM transmissions WHERE start_ns BETWEEN ? AND ?"
            " ORDER BY start_ns",
            (since_ns, until_ns),
        )
        return [_StoredTransmission(*row) for row in rows]

    def _select_before(self, time_ns: int) -> _StoredTransmission:
        """Return the last stored transmission that began before a time."""
        row = self._database.query_row(
            "SELECT id, start_ns, end_ns, flags FROM transmissions WHERE start_ns < ?"
            " ORDER BY start_ns DESC LIMIT 1",
            (time_ns,),
        )
        return _StoredTransmission(*row) if row else _StoredTransmission(0, -EVER_NS, -EVER_NS, 0)

    def finish(self) -> tuple[int, int, int]:
        """Delete former transmissions, add and withdraw alarms; return the three numbers."""
        self._covered = sorted(span for span in self._covered if span[0] <= span[1])
        deleted = [
            row
            for since_ns, until_ns in self._covered
            for row in self._select_starts(since_ns, until_ns)
            if row.start_ns not in self.spans
        ]
        for row in deleted:
            self._delete_seconds([row], set())
            self._database.execute("DELETE FROM transmissions WHERE id = ?", (row.id,))
        withdrawn = self._withdraw()
        self._renew_excursions()
        self._point_alarms()
        self._store.write([Memory(*memory) for memory in self.memories.items()])
        added = sum(self._add(raised, cleared) for raised, cleared in self._alarms)
        return len(deleted), added, withdrawn

    def _withdraw(self) -> int:
        """Delete alarms added by an earlier recomputation that are not raised the same now."""
        raised = {(row.kind, row.time_ns, row.detail + HINDSIGHT) for row, _ in self._alarms}
        doomed = [
            (alarm_id, capture_id)
            for alarm_id, capture_id, *alarm in self._database.query(
                "SELECT id, capture_id, kind, raised_ns, detail FROM alarms"
                " WHERE acknowledged_ns IS NULL AND detail LIKE '%' || ?",
                (HINDSIGHT,),
            )
            if tuple(alarm) not in raised and self._covers(alarm[1])
        ]
        for table, column in (("alarm_changes", "alarm_id"), ("alarms", "id")):
            self._database.execute_many(
                f"DELETE FROM {table} WHERE {column} = ?", [ids[:1] for ids in doomed]
            )
        captures.release(self._database, [capture_id for _, capture_id in doomed])
        return len(doomed)

    def _renew_excursions(self) -> None:
        """Delete excursions that are no longer detected; store the others, which may differ."""
        former: list[int | None] = []
        for span in self._covered:
            for excursion_id, time_ns, capture_id in self._database.query(
                "SELECT id, time_ns, capture_id FROM excursions WHERE time_ns BETWEEN ? AND ?", span
            ):
                former.append(capture_id)
                if time_ns not in self._excursions:
                    self._database.execute("DELETE FROM excursions WHERE id = ?", (excursion_id,))
        excursions = self._excursions.values()
        self._store.write([row for row in excursions if self._covers(row.time_ns)])
        captures.release(self._database, former)

    def _covers(self, time_ns: int) -> bool:
        place = bisect.bisect_right(self._covered, (time_ns, EVER_NS)) - 1
        return place >= 0 and time_ns <= self._covered[place][1]

    def _point_alarms(self) -> None:
        """Set the transmission of alarms to the one that they were raised in."""
        execute = self._database.execute
        margin_ns = self._margin_ns + AROUND_NS
        misplaced = self._database.query(
            "SELECT a.id, a.raised_ns, a.transmission_id FROM alarms AS a"
            " LEFT JOIN transmissions AS t ON t.id = a.transmission_id WHERE a.kind != ? AND"
            " (t.id IS NULL OR a.raised_ns NOT BETWEEN t.start_ns AND t.end_ns + ?)",
            (no_data.KIND, margin_ns),
        )
        for alarm_id, raised_ns, stored_id in misplaced:
            transmission = self._select_before(raised_ns)
            near_ns = 0 if stored_id is None else margin_ns
            new_id = transmission.id if raised_ns <= transmission.end_ns + near_ns else None
            if new_id == stored_id:
                continue
            execute("UPDATE alarms SET transmission_id = ? WHERE id = ?", (new_id, alarm_id))
            execute(  # touched, so that it is forwarded again
                "UPDATE alarm_changes SET alarm_id = alarm_id WHERE alarm_id = ?",
                (alarm_id,),
            )

    def _add(self, raised: AlarmChange, cleared_ns: int) -> bool:
        """Add an alarm unless one of its kind was raised in the same transmission or was open."""
        if raised.start_ns is None or raised.start_ns not in self.spans:
            return False
        since_ns, until_ns = raised.start_ns - AROUND_NS, self.spans[raised.start_ns] + AROUND_NS
        is_stored = self._database.query(
            "SELECT 1 FROM alarms WHERE kind = ?1 AND (raised_ns BETWEEN ?2 AND ?3"
            " OR raised_ns < ?4 AND (cleared_ns IS NULL OR cleared_ns >= ?4))",
            (raised.kind, since_ns, until_ns, raised.time_ns),
        )
        if is_stored:
            return False
        self._store.write([msgspec.structs.replace(raised, detail=raised.detail + HINDSIGHT)])
        self._database.execute(
            "UPDATE alarms SET cleared_ns = ? WHERE kind = ? AND raised_ns = ?",
            (cleared_ns if cleared_ns < EVER_NS else until_ns, raised.kind, raised.time_ns),
        )
        return True


def _flagged(row: Transmission, flag: Flag) -> Transmission:
    return msgspec.structs.replace(row, flags=row.flags | int(flag))
