"""The store loop: commits handed-over rows through the `Keeper`, with a row of health a minute.

It opens the store, also again after damage, and reports alarms while it is being salvaged.
"""

from __future__ import annotations

import logging
import math
import threading
import time
from collections.abc import Callable

from drivers.contract import READ
from drivers.timeline import read_clocks
from logger.calibration.coupler import Coupler
from logger.calibration.file import dump
from logger.config.load import Config
from logger.errors import DiskError, StoreError
from logger.live.status import Status
from logger.rows import Row
from logger.service.handover import Handover
from logger.service.health import CaptureTotals, HealthGauge, next_row_s
from logger.service.heap import trim_heap
from logger.service.keeper import SPOOL_S, Keeper
from logger.service.log_sync import LogSync
from logger.service.reporter import Report, Reporter
from logger.service.retention import Retention
from logger.store.durability import sync_log
from logger.store.journal import JournalNotes
from logger.store.regroup import is_grouped, regroup
from logger.store.stall import StallTimer
from logger.store.writer import StoreWriter
from logger.utc import DAY_NS
from logger.wording import count

log = logging.getLogger("mismatchd")

HEALTH_S = 60.0
LONGEST_LOCK_S = 2.0  # a commit that takes longer does not wait for a lock (see BUSY_MS)
MOST_UNREADABLE = 6  # such salvages, in about a minute, before what cannot be read is given up
HEALTH_WAITS_S = 5.0  # longest wait of a row of health for other rows to be stored with


class StoreLoop:
    """Runs until the last rows have been handed over.

    report      called for each stored row that others wait for, and for each alarm change
    status      returns the daemon's status, for rows of health
    stop        set when the daemon ends
    ensure_lock makes sure that no other daemon uses the store; raises StoreError
    period_s    longest time without a cycle
    health_s    interval of rows of health

    `cycles` counts completed cycles, for `Supervision`; `salvage_until_s` is the monotonic time
    at which a salvage is given up. Raises StoreError if the store cannot be opened and waiting
    would not help.
    """

    def __init__(
        self,
        config: Config,
        coupler: Coupler,
        handover: Handover,
        report: Report,
        status: Callable[[], Status],
        stop: threading.Event,
        ensure_lock: Callable[[], object],
        *,
        period_s: float | None,
        health_s: float,
    ) -> None:
        self._path = config.store.path
        self._faults = config.faults
        self._coupler = coupler
        self._handover = handover
        self._status = status
        self._stop = stop
        self._period_s = period_s or SPOOL_S
        self.salvage_until_s = math.inf
        self.cycles = 0
        self._ended = False  # the last rows have been taken
        self._unreadable = 0  # salvages that the disk did not let read the store
        self._is_interrupted = True  # transmissions of the last run may still be open
        megabytes = config.store.keep_samples_mb
        retention = Retention(
            config.store.keep_samples_days * DAY_NS,
            None if megabytes is None else megabytes * 1_000_000,
            None if config.store.remote is None else config.store.remote.url,
        )
        clocks = read_clocks()
        self.gauge = HealthGauge(clocks)
        self.sync = LogSync(self._path, config.store.sync_s)
        self._timer = StallTimer()
        self.keeper = Keeper(
            self._open_store,
            Reporter(report, self._timer),
            retention,
            self._set_notes,
            self.sync,
            ensure_lock,
        )
        self._health_s = health_s
        self._health_due_s = time.monotonic() + next_row_s(clocks.wall_ns, health_s)

    @property
    def rows_dropped(self) -> int:
        """Number of rows and raw pairs dropped because memory for them was full."""
        return self._handover.dropped + self.keeper.dropped

    @property
    def stalls(self) -> int:
        """Number of commits and syncs that were stalls."""
        return self._timer.stalls + self.sync.timer.stalls

    def stalled_s(self) -> float:
        """Return for how many seconds the disk has not responded, 0.0 if it does."""
        return max(self._timer.stalled_s(), self.sync.timer.stalled_s())

    def lost(self) -> StoreError:
        """Return the failure to store what is left, with its count; the thread still runs."""
        rows, pairs = self.keeper.unstored()
        return StoreError(
            f"{self._path}: it does not respond; lost {count(rows + len(self._handover), 'row')}"
            f" and {count(pairs, 'raw pair')}"
        )

    def close(self) -> None:
        """Close the store, so that its rows survive a power cut; after `run` has ended."""
        self.keeper.close()
        try:
            sync_log(self._path)  # there is one if another process reads the store
        except OSError as error:
            log.error(
                "%s: cannot sync: %s; a power cut now may lose rows", self._path, error.strerror
            )

    def cycles_or_stall(self) -> int:
        """Return a number that changes with each cycle, and while the disk does not respond."""
        stalled_s = self._timer.stalled_s()
        return self.cycles if stalled_s < LONGEST_LOCK_S else -int(stalled_s)

    def counts(self) -> dict[str, int]:
        """Return the number of stored rows by table; nothing if the store cannot be read."""
        try:
            return {} if self.keeper.store is None else self.keeper.store.counts()
        except StoreError:
            return {}

    def run(self) -> None:
        """Commit rows as they become due. Raise StoreError if rows are lost at shutdown."""
        keeper = self.keeper
        ending = False
        while not ending:
            self.gauge.queued(len(self._handover))
            waiting = self._handover.take_waiting()
            wait_s = min(self._period_s, keeper.wait_s(time.monotonic()))
            self._take(0.0 if waiting else wait_s)
            ending = self._ended
            begun_s = time.monotonic()
            health = self._health_rows()
            keeper.add(health, begun_s)
            if waiting:
                keeper.hurry(begun_s)
            committed = keeper.commit_due(begun_s, ending=ending)
            if committed:
                self.gauge.committed(time.monotonic() - begun_s)
            elif committed is False:
                self.gauge.failed()
            for client in waiting:
                client.close()
            if health:
                trim_heap()
            if keeper.failure is None or keeper.disk_takes_nothing:
                self.cycles += 1  # see sd_notify

    def _take(self, wait_s: float) -> None:
        if self._handover.can_wait and self.keeper.failure is not None and not self._stop.is_set():
            self._stop.wait(wait_s)  # rows that are not taken stay in the file
            return
        rows, self._ended = self._handover.take(wait_s)
        self.keeper.add(rows, time.monotonic())

    def _set_notes(self, notes: JournalNotes) -> None:
        self._handover.notes = notes

    def _open_store(self, is_damaged: bool) -> StoreWriter:
        store = self._salvage() if is_damaged else StoreWriter.open(self._path)
        try:
            store.database.timer = self._timer
            store.insert_calibration(self._coupler.id, dump(self._coupler.content))
            interrupted = store.close_interrupted() if self._is_interrupted else 0
            if self._is_interrupted and not is_grouped(store):
                log.info("grouping the stored alarms into faults; with many this takes a while")
                number = regroup(store, self._faults)
                log.info("grouped the stored alarms into %s", count(number, "fault"))
        except BaseException:
            store.close()
            raise
        self._is_interrupted = False
        self.sync.committed(is_urgent=True)  # the calibration
        if interrupted:
            log.warning(
                "%s interrupted by the end of the last run", count(interrupted, "transmission")
            )
        return store

    def _salvage(self) -> StoreWriter:
        is_failing = self._unreadable >= MOST_UNREADABLE
        try:
            store = StoreWriter.salvage(
                self._path, self._during_salvage, skips_unreadable=is_failing
            )
        except DiskError:
            self._unreadable += 1
            raise
        self._unreadable = 0
        return store

    def _during_salvage(self) -> None:
        """Keep reporting alarms during a salvage; end it soon after a shutdown request."""
        self._take(0.0)
        self.cycles += 1
        if time.monotonic() > self.salvage_until_s:
            raise StoreError(
                f"{self._path}: salvage interrupted: the daemon is stopping; the next start"
                " repeats it"
            )

    def _health_rows(self) -> list[Row]:
        """Return the row of health of the last minute, once a minute.

        It is spooled with the thin sample of pairs, since a frame of its own would wear the card.
        """
        late_s = time.monotonic() - self._health_due_s
        if late_s < 0 or not (
            self.keeper.has_new_rows or late_s >= min(HEALTH_WAITS_S, self._health_s)
        ):
            return []
        clocks = read_clocks()
        self._health_due_s += late_s + next_row_s(clocks.wall_ns, self._health_s)
        status = self._status()
        totals = CaptureTotals(
            pairs=status.pairs,
            gaps=status.gaps,
            input_dropped=sum(n for name, n in status.counters.items() if name not in READ),
            rows_dropped=status.rows_dropped,
        )
        backlogs = [forwarder.backlog for forwarder in status.forwarders]
        backlog = sum(backlogs) if backlogs else None
        return [self.gauge.row(clocks, totals, status.clock_synchronised, backlog)]
