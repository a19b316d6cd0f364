"""Stores rows and reports them. No threads and no clocks: the daemon calls it.

When the store accepts nothing (a full disk, also at the start), alarms are still reported, rows are
held in memory within bounds, the newest raw pairs first, and everything is stored once there is
space. A damaged store is replaced by its salvaged rows; as that may take minutes, `open_store` must
pass rows on (`add`) while it salvages.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable
from functools import partial

from logger.errors import DamageError, DiskError, StoreError
from logger.rows import (
    AlarmChange,
    ClockChange,
    Excursion,
    FaultChange,
    Health,
    Row,
    Samples,
    SecondRows,
    Transmission,
    WeatherRow,
)
from logger.service.backlog import Backlog, Held
from logger.service.failure_log import FailureLog
from logger.service.log_sync import LogSync
from logger.service.reporter import Reporter
from logger.service.retention import Retention
from logger.store.displacement import put_back
from logger.store.faults import Faults
from logger.store.journal import JournalNotes
from logger.store.sqlite import disk_takes_nothing
from logger.store.tables import Event
from logger.store.writer import StoreWriter
from logger.wording import count

log = logging.getLogger("mismatchd")

# Longest time until a row is in the spool, or committed. A kill costs this and the time of a write,
# within the promised 2 s.
SPOOL_S = 1.5
# Each commit wears the card: longest time until rows are that others follow, and others. The pairs
# of a transmission wait for its end, unless an event makes a capture of them.
FOLLOWED_S = 20.0
QUIET_S = 480.0  # less than `activity.SILENT_NS`
MANY_PAIRS = 16_384  # more are committed, rather than encoded twice
REST_S = 0.1  # an alarm is committed and reported before the pairs and seconds that come with it
CHECKPOINT_S = 600.0
RETRY_S = 1.0
LONGEST_RETRY_S = 16.0
PAIRS_A_RETRY_S = 100_000

# What does not come with changes of alarms and faults, and with rows that others follow.
NOT_URGENT: Held = (SecondRows, Health)
NOT_FOLLOWED: Held = (Health,)

OpenStore = Callable[[bool], StoreWriter]


class Keeper:
    """Receives rows, commits them in time, and reports stored rows to others.

    open_store  opens the store; True if the existing one is damaged
    reporter    reports stored rows that others wait for, and changes of alarms and faults
    on_notes    called with the journal's notes for the pipeline after a change
    sync        told of commits and of rows that were spooled; without it, nothing is spooled
    on_displaced  called before a store is put back that somebody has taken away; may raise
                StoreError

    Raises StoreError if the store cannot be opened and waiting would not help.
    """

    def __init__(
        self,
        open_store: OpenStore,
        reporter: Reporter,
        retention: Retention,
        on_notes: Callable[[JournalNotes], None] = lambda notes: None,
        sync: LogSync | None = None,
        on_displaced: Callable[[], object] = lambda: None,
    ) -> None:
        self.store: StoreWriter | None = None  # None while it cannot be opened
        self.failure: str | None = None
        self.disk_takes_nothing = False  # the cause of `failure`
        self.open_kinds: list[str] = []  # alarms that were open at the start
        self.memories: dict[str, bytes] = {}  # memories of rules at that time
        self._open_store = open_store
        self.reporter = reporter
        self._retention = retention
        self._on_notes = on_notes
        self._sync = sync
        self._sync_failures = 0  # before the last commit of all rows
        self._on_displaced = on_displaced
        self._backlog = Backlog()
        self._unspooled = Backlog()  # those of the rows that a kill would lose
        self._spool_due_s = math.inf
        self._due_s: float | None = None  # when all rows are
        self._followed_due_s = math.inf  # when those that others follow are
        self._event_s = -math.inf  # time of the last event that makes a capture
        self._has_changes = False  # of alarms or faults, which are due at once
        self._attempts = 0
        self._checkpoint_s: float | None = None
        self._last_change = 0
        self._last_fault_change = 0
        self._is_damaged = False
        self._failures = FailureLog("the store accepts rows again")
        self._cannot_read = False  # what others have written
        self._has_state = False  # True once `open_kinds` and `memories` have been read
        self._keeps_memories = True
        try:
            self._ensure_open()
        except (DamageError, DiskError) as error:
            self._is_damaged = isinstance(error, DamageError)
            self._failed(error)
            self._due_s = 0.0

    @property
    def dropped(self) -> int:
        """Number of rows and raw pairs dropped because they could not be stored."""
        return self._backlog.dropped

    def add(self, rows: list[Row], now_s: float) -> None:
        """Accept rows without waiting for the disk."""
        if not rows:
            return
        dropped = self.dropped
        self._backlog.add(rows)
        if dropped == 0 and self.dropped:
            log.error("memory for unstored rows is full: dropping the oldest")
        if self.failure is not None:
            self.reporter.report_unstored(rows)
        wait_s = SPOOL_S
        if self.failure is None:
            self._has_changes |= any(map(_is_change, rows))
            self._unspooled.add(rows)
            self._spool_due_s = min(now_s + SPOOL_S, self._spool_due_s)
            wait_s = min(map(_wait_s, rows))
            if self._sync is None:
                wait_s = min(wait_s, SPOOL_S)
            if any(map(_makes_capture, rows)):
                self._event_s = now_s
            if any(map(_is_followed, rows)):
                if now_s < self._event_s + FOLLOWED_S:
                    wait_s = min(wait_s, FOLLOWED_S)
                else:
                    self._followed_due_s = min(now_s + FOLLOWED_S, self._followed_due_s)
        self._due_s = min(now_s + wait_s, math.inf if self._due_s is None else self._due_s)

    @property
    def has_rows(self) -> bool:
        """True if rows are waiting for the next commit."""
        return bool(self._backlog)

    @property
    def has_new_rows(self) -> bool:
        """True if rows are waiting to be spooled or committed."""
        return bool(self._unspooled)

    def unstored(self) -> tuple[int, int]:
        """Return the number of rows, other than raw pairs, and of pairs not yet stored."""
        return self._backlog.counts()

    def wait_s(self, now_s: float) -> float:
        """Return the seconds until `commit_due` has something to do."""
        if self._has_changes and self.failure is None:
            return 0.0
        due_s = SPOOL_S if self._due_s is None else self._due_s - now_s
        return max(0.0, min(due_s, min(self._followed_due_s, self._spool_due_s) - now_s))

    def hurry(self, now_s: float) -> None:
        """Make all rows due."""
        if self._backlog and self.failure is None:
            self._due_s = now_s

    def commit_due(self, now_s: float, *, ending: bool = False) -> bool | None:
        """Commit what is due; return True on success, False on failure, None if nothing was due.

        Raise StoreError only at shutdown.
        """
        if self.failure is None:
            self._failures.succeed(now_s)
        looks_around = not self._unspooled or self._spool_due_s <= now_s
        is_away = self.store is None or (looks_around and self.store.database.replaced)
        if self._backlog or is_away:
            is_due = (self._due_s or 0.0) <= now_s
            if looks_around and self.failure is None:
                is_due = is_due or is_away or self._cannot_spool
            if ending or is_due:
                return self._commit(now_s, ending=ending)
            if self._has_changes and self.failure is None:
                return self._commit(now_s, held=NOT_URGENT)
            if self._followed_due_s <= now_s and self.failure is None:
                return self._commit(now_s, held=NOT_FOLLOWED)
        if looks_around:
            self._report_others()
            self._spool(now_s)
        return None

    def close(self) -> None:
        """Close the store."""
        if self.failure is None:
            self._failures.succeed(math.inf)
        if self.store is not None:
            self.store.close()

    @property
    def _cannot_spool(self) -> bool:
        """True if rows have to be committed instead of spooled."""
        if self._sync is None:
            return bool(self._unspooled)
        return (
            self._backlog.pairs >= MANY_PAIRS
            or self._sync.failures > self._sync_failures
            or (self._is_spool_full and not self._sync.is_synced)
        )

    @property
    def _is_spool_full(self) -> bool:
        return self.store is not None and self.store.spool.is_full

    def _spool(self, now_s: float) -> None:
        """Save new rows from a kill; have them committed if that fails."""
        rows, self._spool_due_s = self._unspooled.take(), math.inf
        if not rows or self.store is None or self._sync is None:
            return
        try:
            with self.store.database.timer.time():
                self.store.spool.append(rows, is_synced=self._sync.is_synced)
        except OSError:
            self._due_s = now_s
            return
        self._sync.spooled()
        if self._is_spool_full:
            self._due_s = now_s

    def _commit(self, now_s: float, *, ending: bool = False, held: Held | None = None) -> bool:
        """Commit all rows, or all but raw pairs and those of the kinds `held`."""
        select = self._backlog.rows if held is None else partial(self._backlog.rows_but, held)
        sync_failures = 0 if self._sync is None else self._sync.failures
        try:
            try:
                stored = self._write(select)
            except DamageError as error:
                self._replace()
                self._failed(error, now_s)
                stored = self._write(select)
        except StoreError as error:
            self._failed(error, now_s)
            if ending:
                lost_rows, lost_pairs = self.unstored()
                log.error("lost %s and %s", count(lost_rows, "row"), count(lost_pairs, "raw pair"))
                raise
            self._due_s = now_s + self._retry_s()
            return False
        rows = self._backlog.take() if held is None else self._backlog.take_but(held)
        self._attempts = 0
        self.failure = None
        self._has_changes = False
        if held is None or SecondRows not in held:
            self._followed_due_s = math.inf
        if held is not None and self._backlog:
            self._unspooled.take_but(held)
        else:
            self._unspooled.take()
            self._due_s, self._spool_due_s = None, math.inf
            self._sync_failures = sync_failures
        self.reporter.report_stored(rows, stored)
        if self._sync is not None:
            self._sync.committed(self._is_spool_full or any(map(_is_change, rows)))
        if held is not None:
            return True
        try:
            self._checkpoint(now_s)
            self._retention.tidy(self.store, rows, now_s)
        except DamageError as error:
            self._replace()
            self._failed(error, now_s)
        return True

    def _checkpoint(self, now_s: float) -> None:
        """Move the log into the file from time to time: damage to the log would lose all of it."""
        is_due = self._checkpoint_s is not None and now_s >= self._checkpoint_s
        if self._checkpoint_s is None or is_due:
            self._checkpoint_s = now_s + CHECKPOINT_S
        if self.store is None or not is_due:
            return
        try:
            self.store.database.checkpoint()
        except DamageError:
            raise
        except StoreError as error:
            log.warning("cannot move the log into the file: %s", error)

    def _retry_s(self) -> float:
        """Return the delay after a failure, in seconds.

        A retry costs time for each pair, and possibly another salvage while the store is closed.
        """
        self._attempts += 1
        if self.store is None:
            return min(LONGEST_RETRY_S, RETRY_S * 2.0 ** min(self._attempts - 1, 10))
        return RETRY_S + self._backlog.pairs / PAIRS_A_RETRY_S

    def _write(self, select: Callable[[], list[Row]]) -> list[Event]:
        store = self._ensure_open()  # opening may change the rows to be written
        if store.database.replaced:
            store = self._return(store)
        self._report_others()
        rows = select()
        stored = store.write(rows, is_part=len(rows) < len(self._backlog))
        if any(isinstance(row, ClockChange) for row in rows):
            self._on_notes(store.notes())  # its times may have been moved
        return stored

    def _return(self, store: StoreWriter) -> StoreWriter:
        """Return the store at its path, from which somebody has taken its file."""
        self._on_displaced()
        try:
            if put_back(store.database):
                store.spool.close()
                return store
        except OSError as error:
            raise StoreError(f"{store.path}: cannot be put back: {error.strerror}") from error
        store.close()
        self.store = None
        return self._ensure_open()

    def _ensure_open(self) -> StoreWriter:
        if self.store is None:
            self.store = self._open_store(self._is_damaged)
            self._is_damaged = False
            self._last_change = self.store.last_change_id()
            self._last_fault_change = Faults(self.store.database).last_change_id()
            self._on_notes(self.store.notes())
            if not self._has_state:
                self.open_kinds = [alarm.kind for alarm in self.store.open_alarms()]
                self.memories = self.store.memories()
                self._has_state = True
                self._backlog.raised_before(self.open_kinds)
                # Rules that started without their memories must not overwrite them.
                self._keeps_memories = self.failure is None or not self.memories
        if not self._keeps_memories:
            self._backlog.forget_memories()
        return self.store

    def _replace(self) -> None:
        """Close a damaged store, so that it is opened again with salvage."""
        if self.store is not None:
            self.store.close()
        self.store = None
        self._is_damaged = True

    def _failed(self, error: StoreError, now_s: float = -math.inf) -> None:
        self._failures.fail(
            f"{error}; alarms are still delivered, the newest pairs are kept in memory", now_s
        )
        first = self.failure is None
        self.failure = str(error)
        self._unspooled.take()
        self._spool_due_s = self._followed_due_s = math.inf
        self.disk_takes_nothing = disk_takes_nothing(error)
        if first:
            self.reporter.report_unstored(self._backlog.rows())

    def _report_others(self) -> None:
        """Report acknowledgements, explanations and work recorded by others."""
        store = self.store
        if store is None:
            return
        try:
            if not (store.database.changed_elsewhere() or self._cannot_read):
                return
            newest = store.last_change_id()  # later changes are noticed next time
            for item in store.acknowledgements(self._last_change, newest):
                self.reporter.report(item)
            self._last_change = newest
            faults = Faults(store.database)
            newest = faults.last_change_id()
            for event in faults.explanations(self._last_fault_change, newest):
                self.reporter.report(event)
            self._last_fault_change = newest
            self._on_notes(store.notes())
        except StoreError as error:
            if not (self._cannot_read or self.failure):
                log.warning("cannot read acknowledgements, explanations and journal: %s", error)
            self._cannot_read = True
        else:
            self._cannot_read = False


def _is_change(row: Row) -> bool:
    return isinstance(row, AlarmChange | FaultChange)


def _makes_capture(row: Row) -> bool:
    return isinstance(row, AlarmChange | FaultChange | Excursion)


def _is_followed(row: Row) -> bool:
    return isinstance(row, SecondRows | WeatherRow) or (
        isinstance(row, Transmission) and not row.ended
    )


def _wait_s(row: Row) -> float:
    """Return for how long a row may wait for a commit of all rows."""
    if isinstance(row, AlarmChange | FaultChange):
        return REST_S
    if isinstance(row, ClockChange):
        return 0.0  # frames of the spool do not say on which side of it they are
    if isinstance(row, Transmission) and row.ended:
        return 0.0
    return QUIET_S if _is_followed(row) or isinstance(row, Samples | Health) else SPOOL_S
