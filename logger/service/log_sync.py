"""Syncs the store's write-ahead log and its spool, so that rows survive a power cut.

SQLite syncs the log at checkpoints only. This thread syncs it soon after a commit with a change of
an alarm or a fault, and within a configured time after any other, and after rows were spooled. It
is a thread of its own, so that the next commit, and the report of an alarm with its id, do not wait
for a slow card.

After a sync that failed, another one proves nothing: the system may have given up what it could not
write. The log is then moved into the file, which writes its content again, and the keeper commits
what is in the spool.
"""

from __future__ import annotations

import math
import threading
import time
from pathlib import Path

from logger.errors import StoreError
from logger.service.failure_log import FailureLog
from logger.store.database import Database
from logger.store.durability import sync_log
from logger.store.stall import StallTimer

URGENT_S = 0.02  # an alarm comes with other rows: one sync for all of them
RETRY_S = 1.0


class LogSync:
    """Syncs after commits of the store at `path`, until `end` is called.

    every_s   longest time between a commit that is not urgent and its sync

    `failure` is the reason why the last sync failed, if it did; `failures` counts those that did.
    `is_synced` is True if a power cut does not lose any commit.
    """

    def __init__(self, path: Path, every_s: float) -> None:
        self.timer = StallTimer()
        self.failure: str | None = None
        self.failures = 0
        self._unsynced = 0  # commits since the last sync
        self._failures = FailureLog(f"{path}: synced again")
        self._path = path
        self._every_s = every_s
        self._changed = threading.Condition()
        self._due_s = math.inf
        self._ended = False

    def committed(self, is_urgent: bool) -> None:
        """Note a commit."""
        with self._changed:
            self._unsynced += 1
        self._sync_in(URGENT_S if is_urgent else self._every_s)

    def spooled(self) -> None:
        """Note that rows were appended to the spool."""
        self._sync_in(self._every_s)

    @property
    def is_synced(self) -> bool:
        """True if all commits have been synced."""
        return not self._unsynced

    def run(self) -> None:
        """Sync when due."""
        while self._wait():
            self._sync()

    def end(self) -> None:
        """Let `run` return; closing the store syncs the rest."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()
        if self.failure is None:
            self._failures.succeed(math.inf)

    def _wait(self) -> bool:
        """Wait until a sync is due; return False at the end."""
        with self._changed:
            while not self._ended:
                left_s = self._due_s - time.monotonic()
                if left_s <= 0:
                    self._due_s = math.inf
                    return True
                self._changed.wait(None if left_s == math.inf else left_s)
        return False

    def _sync_in(self, seconds: float) -> None:
        due_s = time.monotonic() + seconds
        with self._changed:
            if due_s < self._due_s:
                self._due_s = due_s
                self._changed.notify_all()

    def _sync(self) -> None:
        begun = self._unsynced
        try:
            with self.timer.time():
                if self.failure is None:
                    sync_log(self._path)
                else:
                    self._write_again()
        except (OSError, StoreError) as error:
            reason = error.strerror if isinstance(error, OSError) else error
            self.failures += 1
            self.failure = f"{self._path}: cannot sync: {reason}"
            self._failures.fail(
                f"{self.failure}; a power cut may lose alarms that were reported", time.monotonic()
            )
            self._sync_in(RETRY_S)
        else:
            with self._changed:
                self._unsynced -= begun
            self.failure = None
            self._failures.succeed(time.monotonic())

    def _write_again(self) -> None:
        with Database.editor(self._path) as database:
            if not database.checkpoint():
                raise StoreError("the log is being read")
