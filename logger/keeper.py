"""Brings rows into the store and tells of them. No threads and no clocks: the daemon calls it.

When the store takes nothing (a full disk), alarms are told all the same, rows are held in memory
within bounds, the newest raw pairs first, and everything is stored once there is space.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable
from typing import Any

from logger.errors import DamageError, StoreError
from logger.rows import AlarmChange, Health, Row, Samples, Second, Transmission
from logger.store.database import Store, Stored
from logger.store.refusals import disk_takes_nothing
from logger.utc import format_ns

log = logging.getLogger("mismatchd")

COMMIT_S = 1.0  # rows that are not urgent are committed this often at least
RETRY_S = 1.0
HEALTH_S = 30.0  # and rows of health at least
MOST_PAIRS = 2_000_000  # held while they cannot be stored; some 50 MB
MOST_SECONDS = 100_000
TIDY_S = 3600.0  # what is too old is deleted this often
DAY_NS = 86_400_000_000_000

Tell = Callable[[Stored], None]


class Keeper:
    """Takes rows, commits them in time, tells what others want to hear of.

    keep_ns, keep_bytes  how long and how much of raw pairs is kept
    """

    def __init__(
        self, store: Store, tell: Tell, *, keep_ns: int, keep_bytes: int | None = None
    ) -> None:
        self.store = store
        self._tell = tell
        self._keep_ns = keep_ns
        self._keep_bytes = keep_bytes
        self._rows: list[Row] = []
        self._due_s: float | None = None
        self._tidy_s = 0.0
        self._told: set[tuple[str, str, str]] = set()  # alarm changes told before they were stored
        self._newest_ns = 0
        self._last_change = store.last_change_id()
        self.failure: str | None = None
        self.disk_takes_nothing = False  # and that is why
        self.dropped = 0

    def take(self, rows: list[Row], now_s: float) -> None:
        """Take rows in; nothing waits for the disk."""
        if not rows:
            return
        self._rows += rows
        if self.failure is not None:
            self._tell_unstored(rows)
            self._bound()
        if self.failure is None and any(map(_urgent, rows)):
            wait_s = 0.0
        elif all(isinstance(row, Health) for row in rows):
            wait_s = HEALTH_S  # it goes with whatever comes next, which spares the disk
        else:
            wait_s = COMMIT_S
        self._due_s = min(now_s + wait_s, math.inf if self._due_s is None else self._due_s)

    def wait_s(self, now_s: float) -> float:
        """How long until `keep` has something to do."""
        return COMMIT_S if self._due_s is None else max(0.0, self._due_s - now_s)

    def keep(self, now_s: float, *, ending: bool = False) -> bool | None:
        """Commit what is due; whether that was possible, None if nothing was. Raises StoreError
        only at the end."""
        if not self._rows:
            self._notice_acknowledged()
        elif ending or (self._due_s or 0.0) <= now_s:
            return self._commit(now_s, ending=ending)
        return None

    def _commit(self, now_s: float, *, ending: bool) -> bool:
        rows, self._rows = self._rows, []
        try:
            self._notice_acknowledged()
            stored = self.store.write(rows)
            self._last_change = self.store.last_change_id()
        except StoreError as error:
            self._rows = rows
            self._failed(error)
            if ending:
                raise
            self._due_s = now_s + RETRY_S
            return False
        if self.failure is not None:
            log.warning("the store takes rows again")
            self.failure = None
        self._due_s = None
        for item in stored:
            if item.change is None or _key(item.columns, item.change) not in self._told:
                self._tell(item)
        self._told.clear()
        self._tidy(rows, now_s)
        return True

    def _failed(self, error: StoreError) -> None:
        if self.failure != str(error):
            log.error("%s; alarms are still told, the newest pairs are held in memory", error)
        first = self.failure is None
        self.failure = str(error)
        self.disk_takes_nothing = disk_takes_nothing(error)
        if first:
            self._tell_unstored(self._rows)
        self._bound()
        if isinstance(error, DamageError):
            self.store.close()
            self.store = Store.open(self.store.path, damaged=True)

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
            }
            self._told.add(_key(columns, row.change))
            self._tell(Stored("alarms", row.change, columns))

    def _bound(self) -> None:
        """Drop the oldest of what is plenty, and what only told how far a transmission was."""
        pairs = seconds = 0
        kept: list[Row] = []
        before = self.dropped
        for row in reversed(self._rows):
            if isinstance(row, Samples):
                pairs += len(row.block)
                if pairs > MOST_PAIRS:
                    self.dropped += len(row.block)
                    continue
            elif isinstance(row, Second):
                seconds += 1
                if seconds > MOST_SECONDS:
                    self.dropped += 1
                    continue
            kept.append(row)
        if before == 0 and self.dropped:
            log.error("memory for rows that cannot be stored is full: the oldest are dropped")
        announced: set[int] = set()
        self._rows = []
        for row in reversed(kept):
            if isinstance(row, Transmission) and not row.ended:
                if row.start_ns in announced:
                    continue
                announced.add(row.start_ns)
            self._rows.append(row)

    def _notice_acknowledged(self) -> None:
        """Tell of acknowledgements that another process has made."""
        try:
            if not self.store.changed_elsewhere():
                return
            for item in self.store.acknowledged_after(self._last_change):
                self._tell(item)
            self._last_change = self.store.last_change_id()
        except StoreError as error:
            log.warning("acknowledgements cannot be read: %s", error)

    def _tidy(self, rows: list[Row], now_s: float) -> None:
        """Merge segments, and delete what is too old; by sample time, so that a replay of the past
        does not delete what it stores."""
        for row in rows:
            if isinstance(row, Samples):
                self._newest_ns = int(row.block.time_ns[-1])
        expiring = self._newest_ns > 0 and now_s >= self._tidy_s
        try:
            expired = self.store.tidy(
                self._newest_ns - self._keep_ns if expiring else None, self._keep_bytes
            )
        except StoreError as error:
            self._failed(error)
            return
        if expiring:
            self._tidy_s = now_s + TIDY_S
        if expired:
            log.info("%d raw pairs have passed their time and are deleted", expired)


def _urgent(row: Row) -> bool:
    return isinstance(row, AlarmChange) or (isinstance(row, Transmission) and row.ended)


def _key(columns: dict[str, Any], change: str) -> tuple[str, str, str]:
    return (
        columns["kind"],
        change,
        columns["cleared_utc"] if change == "cleared" else columns["raised_utc"],
    )
