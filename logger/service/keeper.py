"""Stores rows and reports them. No threads and no clocks: the daemon calls it.

When the store accepts nothing (a full disk, also at the start), alarms are still reported, rows are
held in memory within bounds, the newest raw pairs first, and everything is stored once there is
space. A damaged store is replaced by its salvaged rows; as that may take minutes, `open_store` must
pass rows on (`take`) while it salvages.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable
from typing import Any

from logger.errors import DamageError, DiskError, StoreError
from logger.rows import AlarmChange, ClockChange, Flag, Row, Samples, Transmission
from logger.service.backlog import Backlog
from logger.store.sqlite import disk_takes_nothing
from logger.store.tables import Stored
from logger.store.writer import StoreWriter
from logger.utc import format_ns

log = logging.getLogger("mismatchd")

# Longest time between commits of rows that are not urgent. A kill costs this and a commit, within
# the promised 2 s; each commit wears the card.
COMMIT_S = 1.5
RETRY_S = 1.0
LONGEST_RETRY_S = 16.0
PAIRS_A_RETRY_S = 100_000
TIDY_S = 3600.0  # interval of deletions of pairs past retention
UNTIDY_S = 60.0  # pause after a failure to tidy the store

Tell = Callable[[Stored], None]
Open = Callable[[bool], StoreWriter]
HearWork = Callable[[list[int]], None]


class Keeper:
    """Receives rows, commits them in time, and reports stored rows to others.

    open_store           opens the store; True if the existing one is damaged
    keep_ns, keep_bytes  retention of raw pairs by age and size
    hear_work            called with the times of all repairs and adjustments after a change

    Raises StoreError if the store cannot be opened and waiting would not help.
    """

    def __init__(
        self,
        open_store: Open,
        tell: Tell,
        *,
        keep_ns: int,
        keep_bytes: int | None = None,
        hear_work: HearWork = lambda times_ns: None,
    ) -> None:
        self.store: StoreWriter | None = None  # None while it cannot be opened
        self.failure: str | None = None
        self.disk_takes_nothing = False  # the cause of `failure`
        self.open_kinds: list[str] = []  # alarms that were open at the start
        self.memories: dict[str, bytes] = {}  # memories of rules at that time
        self._open = open_store
        self._tell = tell
        self._keep_ns = keep_ns
        self._keep_bytes = keep_bytes
        self._hear_work = hear_work
        self._backlog = Backlog()
        self._due_s: float | None = None
        self._attempts = 0
        self._tidy_s = self._expire_s = 0.0
        self._untidy = False
        self._told: set[tuple[str, str, str]] = set()  # changes reported before being stored
        self._newest_ns = 0
        self._last_change = 0
        self._damaged = self._late = False
        self._known = False  # whether `open_kinds` are known
        self._keeps_memories = True
        try:
            self._opened()
        except (DamageError, DiskError) as error:
            self._damaged, self._late = isinstance(error, DamageError), True
            self._failed(error)
            self._due_s = 0.0

    @property
    def dropped(self) -> int:
        """Number of rows and raw pairs dropped because they could not be stored."""
        return self._backlog.dropped

    def take(self, rows: list[Row], now_s: float) -> None:
        """Accept rows without waiting for the disk."""
        if not rows:
            return
        before = self.dropped
        self._backlog.add(rows)
        if before == 0 and self.dropped:
            log.error("memory for rows that cannot be stored is full: the oldest are dropped")
        if self.failure is not None:
            self._tell_unstored(rows)
        wait_s = 0.0 if self.failure is None and any(map(_urgent, rows)) else COMMIT_S
        self._due_s = min(now_s + wait_s, math.inf if self._due_s is None else self._due_s)

    @property
    def waits(self) -> bool:
        """True if rows are waiting for the next commit."""
        return bool(self._backlog)

    def wait_s(self, now_s: float) -> float:
        """Return the seconds until `keep` has something to do."""
        return COMMIT_S if self._due_s is None else max(0.0, self._due_s - now_s)

    def keep(self, now_s: float, *, ending: bool = False) -> bool | None:
        """Commit what is due; return True on success, False on failure, None if nothing was due.

        Raise StoreError only at shutdown.
        """
        if not self._backlog and self.store is not None:
            self._notice_others()
        elif ending or (self._due_s or 0.0) <= now_s:
            return self._commit(now_s, ending=ending)
        return None

    def close(self) -> None:
        """Close the store."""
        if self.store is not None:
            self.store.close()

    def _commit(self, now_s: float, *, ending: bool) -> bool:
        try:
            try:
                stored = self._write()
            except DamageError as error:
                self._replace()
                self._failed(error)
                stored = self._write()
        except StoreError as error:
            self._failed(error)
            if ending:
                log.error("%d rows and %d raw pairs are lost", *self._backlog.counts())
                raise
            self._due_s = now_s + self._retry_s()
            return False
        rows = self._backlog.take()
        self._attempts = 0
        if self.failure is not None:
            log.warning("the store accepts rows again")
            self.failure = None
        self._due_s = None
        for item in stored:
            if item.change is None or _key(item.columns, item.change) not in self._told:
                self._tell(item)
        self._told.clear()
        self._tidy(rows, now_s)
        return True

    def _retry_s(self) -> float:
        """Return the delay after a failure, in seconds.

        A retry costs time for each pair, and possibly another salvage while the store is closed.
        """
        self._attempts += 1
        if self.store is None:
            return min(LONGEST_RETRY_S, RETRY_S * 2.0 ** min(self._attempts - 1, 10))
        return RETRY_S + self._backlog.pairs / PAIRS_A_RETRY_S

    def _write(self) -> list[Stored]:
        store = self._opened()  # opening may change the rows to be written
        self._notice_others()
        stored = store.write(self._backlog.rows())
        if any(isinstance(row, ClockChange) for row in self._backlog.rows()):
            self._hear_work(store.work())  # its times may have been moved
        return stored

    def _opened(self) -> StoreWriter:
        if self.store is None:
            self.store = self._open(self._damaged)
            self._damaged = False
            self._last_change = self.store.last_change_id()
            self._hear_work(self.store.work())
            if not self._known:
                self.open_kinds = [alarm.kind for alarm in self.store.open_alarms()]
                self.memories = self.store.memories()
                self._known = True
                self._backlog.raised_before(self.open_kinds)
                # Rules that started without their memories must not overwrite them.
                self._keeps_memories = not (self._late and self.memories)
        if not self._keeps_memories:
            self._backlog.forget_memories()
        return self.store

    def _replace(self) -> None:
        """Close a damaged store, so that it is opened again with salvage."""
        self.close()
        self.store = None
        self._damaged = True

    def _failed(self, error: StoreError) -> None:
        if self.failure != str(error):
            log.error("%s; alarms are still delivered, the newest pairs are kept in memory", error)
        first = self.failure is None
        self.failure = str(error)
        self.disk_takes_nothing = disk_takes_nothing(error)
        if first:
            self._tell_unstored(self._backlog.rows())

    def _tell_unstored(self, rows: list[Row]) -> None:
        for row in rows:
            if not isinstance(row, AlarmChange):
                continue
            time = format_ns(row.time_ns)
            columns: dict[str, Any] = {
                "id": None,
                "kind": row.kind,
                "severity": row.severity,
                "raised_utc": time if row.change == "raised" else None,
                "cleared_utc": time if row.change == "cleared" else None,
                "acknowledged_utc": None,
                "value": row.value,
                "limit": row.limit,
                "transmission_id": None,
                "detail": row.detail,
                "flags": Flag(row.flags).words(),
                "capture_id": None,
            }
            self._told.add(_key(columns, row.change))
            self._tell(Stored("alarms", row.change, columns))

    def _notice_others(self) -> None:
        """Report acknowledgements and work recorded by another process."""
        store = self.store
        if store is None:
            return
        try:
            if not store.database.changed_elsewhere():
                return
            newest = store.last_change_id()  # later changes are noticed next time
            for item in store.acknowledgements(self._last_change, newest):
                self._tell(item)
            self._last_change = newest
            self._hear_work(store.work())
        except StoreError as error:
            log.warning("acknowledgements and journal cannot be read: %s", error)

    def _tidy(self, rows: list[Row], now_s: float) -> None:
        """Merge segments, and delete pairs past retention.

        Age is judged by sample time, so that a replay of the past does not delete what it stores.
        """
        for row in rows:
            if isinstance(row, Samples):
                self._newest_ns = int(row.block.time_ns[-1])
        if self.store is None or now_s < self._tidy_s:
            return
        expiring = self._newest_ns > 0 and now_s >= self._expire_s
        try:
            expired = self.store.tidy(
                self._newest_ns - self._keep_ns if expiring else None, self._keep_bytes
            )
        except DamageError as error:
            self._replace()
            self._failed(error)
            return
        except StoreError as error:  # rows are stored all the same
            if not self._untidy:
                log.error("raw pairs cannot be merged or deleted: %s", error)
            self._untidy = True
            self._tidy_s = now_s + UNTIDY_S
            return
        self._untidy = False
        if expiring:
            self._expire_s = now_s + TIDY_S
        if expired:
            log.info("deleted %d raw pairs past retention", expired)


def _urgent(row: Row) -> bool:
    return isinstance(row, AlarmChange) or (isinstance(row, Transmission) and row.ended)


def _key(columns: dict[str, Any], change: str) -> tuple[str, str, str]:
    return (
        columns["kind"],
        change,
        columns["cleared_utc"] if change == "cleared" else columns["raised_utc"],
    )
