"""The running daemon: the only place with threads and signals.

    capture   reads the driver, runs the pipeline, hands rows on; never waits for the others
    keeper    writes rows to the store, then tells; alarms and ended transmissions at once
    forwarder follows the store on its own connection (see forward/)
    main      signals, the status socket, the end

A finite input (a file) may be made to wait, so there the hand-over blocks when it is full; a
device may not, so there the oldest rows that can be derived again give way, counted and told.
"""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import signal
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

from drivers.contract import Driver, DriverError, EndOfInput, SampleBlock
from drivers.timeline import boot_name, host_ns, read_clocks
from logger.calibration.coupler import Coupler
from logger.calibration.file import dump
from logger.config import Config
from logger.dating import EARLIEST_NS, LONGEST_SLEW_NS, Dating, Order
from logger.errors import MismatchdError, StoreError
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Flag, Row, Second, Transmission
from logger.status import StatusSocket
from logger.store.database import Store, Stored
from logger.store.lock import StoreLock

log = logging.getLogger("mismatchd")

COMMIT_S = 1.0  # rows that are not urgent are committed this often at least
QUEUE_ROWS = 4096  # batches between capture and keeper
READ_TIMEOUT_S = 0.25
QUIET_LINGER_S = 0.04  # nobody transmits: collect this long, well within the shortest hold time
KEYED_LINGER_S = 0.001
BUSY_SHARE = 1.0  # while keyed, collect as long again as the last block took to work on
RETRY_S = 1.0
POLL_S = 0.2
GAP_NS = 1_000_000_000  # `status` counts silences longer than this
STOP_S = 2.5  # capture and keeper get this long to end,
FORWARD_S = 2.0  # and then the forwarder

Tell = Callable[[Stored], None]


class Daemon:
    """One run of one station. `tell` is called for each ended transmission and alarm change after
    it is in the store; it must not block."""

    def __init__(self, config: Config, coupler: Coupler, driver: Driver, tell: Tell) -> None:
        self._config = config
        self._driver = driver
        self._tell = tell
        self._lock = StoreLock(config.store.path)
        self._store = Store.open(config.store.path)
        self._store.keep_calibration(coupler.id, dump(coupler.content))
        interrupted = self._store.close_interrupted()
        if interrupted:
            log.warning("%d transmission(s) were cut short when the last run ended", interrupted)
        open_kinds = [alarm.kind for alarm in self._store.open_alarms()]
        if open_kinds:
            log.warning("still open from before: %s", ", ".join(open_kinds))
        self._coupler = coupler
        self._open_kinds = set(open_kinds)
        self._pipeline = Pipeline(config, coupler, open_kinds)
        self._order = Order()
        self._dating: Dating | None = None
        if getattr(driver, "clock", "utc") == "host":
            self._dating = self._dated()
        shortest_s = 1e-3 * min(
            config.watchdog.high_swr.hold_ms, config.watchdog.high_reflected_power.hold_ms
        )
        self._quiet_linger_s = min(QUIET_LINGER_S, 0.8 * shortest_s)
        self._stop = threading.Event()
        self._stored_all = threading.Event()
        self._signalled = threading.Event()
        self._failure: MismatchdError | None = None
        self._queue: queue.Queue[list[Row] | None] = queue.Queue(QUEUE_ROWS)
        self._dropped = 0
        self._pairs = 0
        self._gaps = 0
        self._last_ns = 0
        self._last_host_ns = 0
        self._rate = 0.0
        self._stored_failure: str | None = None
        self._forwarder: Any = None
        self._started = time.monotonic()

    def _dated(self) -> Dating:
        name, now = boot_name(), read_clocks()
        known, lost = self._store.known_boot(name)
        if lost:
            log.warning(
                "rows of %d earlier start(s) of this host can never be dated: its clock was not"
                " set before it was stopped; they keep provisional times and are not forwarded",
                lost,
            )
        # A clock that is vouched for is not held up by rows of a wrong one in the far future.
        trusted = now.wall_ns >= EARLIEST_NS and (now.synchronised or known is not None)
        upto = (now.wall_ns + LONGEST_SLEW_NS,) if trusted else ()
        dating = Dating(now, self._store.last_ns(*upto), name, known)
        self._store.remember(dating.boot)
        return dating

    def run(self) -> str:
        """Run until SIGTERM or SIGINT or the end of a finite input; what was stored, in words.

        Raises LinkError if the device cannot be opened, MismatchdError if a thread failed; what
        was measured is stored before that.
        """
        try:
            self._driver.open()
        except BaseException:
            self._release()
            raise
        forwarder = self._start_forwarder()
        before = self._store.counts()
        previous = {
            number: signal.signal(number, lambda *_: self._signalled.set())
            for number in (signal.SIGTERM, signal.SIGINT)
        }
        try:
            with StatusSocket(self._config.store.path, self.status) as socket:
                threads = [
                    threading.Thread(
                        target=self._guard, args=(work, socket.wake), name=work.__name__
                    )
                    for work in (self._capture, self._keep)
                ]
                for thread in threads:
                    thread.start()
                while any(thread.is_alive() for thread in threads):
                    socket.serve(POLL_S)
                    if self._signalled.is_set():
                        break
                self._stop.set()
                deadline = time.monotonic() + STOP_S
                for thread in threads:
                    thread.join(max(0.1, deadline - time.monotonic()))
        finally:
            self._stop.set()
            for number, handler in previous.items():
                signal.signal(number, handler)
            if forwarder is not None:
                self._stored_all.set()
                forwarder.join(FORWARD_S)
            summary = self._summary(before)
            self._driver.close()
            self._release()
        if self._failure is not None:
            raise self._failure
        return summary

    def _release(self) -> None:
        self._store.close()
        self._lock.release()

    def _summary(self, before: dict[str, int]) -> str:
        new = {name: count - before[name] for name, count in self._store.counts().items()}
        listed = ", ".join(f"{count} {name}" for name, count in new.items())
        return f"stored {listed} in {self._store.path}"

    def _guard(self, work: Callable[[], None], ended: Callable[[], None]) -> None:
        """A thread must not die in silence."""
        try:
            work()
        except MismatchdError as error:
            self._failure = error
        except DriverError as error:
            self._failure = MismatchdError(str(error))
        except Exception as error:
            log.exception("thread failed")
            self._failure = MismatchdError(f"internal failure: {error!r}")
        else:
            return
        finally:
            ended()
        self._stop.set()

    # capture

    def _capture(self) -> None:
        driver = self._driver
        ending = Flag.INTERRUPTED
        busy_s = 0.0
        mark_s, mark_pairs = time.monotonic(), 0
        try:
            while not self._stop.is_set():
                linger_s = (
                    max(KEYED_LINGER_S, BUSY_SHARE * busy_s)
                    if self._pipeline.keyed
                    else self._quiet_linger_s
                )
                block = driver.read(READ_TIMEOUT_S, linger_s)
                begun_s = time.monotonic()
                rows = self._look_at_clock()
                self._tell_notices()
                if block is not None:
                    rows += self._process(block)
                elif not driver.finite:
                    rows += self._pipeline.tick(self._now_ns())
                if rows:
                    self._hand_over(rows)
                now_s = time.monotonic()
                busy_s = min(now_s - begun_s, self._quiet_linger_s)
                if now_s - mark_s >= 2.0:
                    self._rate = (self._pairs - mark_pairs) / (now_s - mark_s)
                    mark_s, mark_pairs = now_s, self._pairs
        except EndOfInput:
            ending = Flag(0)
        finally:
            self._tell_notices()
            with contextlib.suppress(queue.Full):  # only if the keeper is dead or stuck
                self._queue.put(self._pipeline.finish(ending), timeout=STOP_S)
                self._queue.put(None, timeout=STOP_S)

    def _process(self, block: SampleBlock) -> list[Row]:
        dated = (self._dating or self._order).date(block, keyed=self._pipeline.keyed)
        rows = self._pipeline.process(dated)
        self._gaps += self._pairs > 0 and int(dated.time_ns[0]) - self._last_ns > GAP_NS
        self._pairs += len(dated)
        self._last_ns = int(dated.time_ns[-1])
        self._last_host_ns = host_ns()
        return rows

    def _look_at_clock(self) -> list[Row]:
        """What changes because the wall clock was set."""
        change = None if self._dating is None else self._dating.look(read_clocks())
        if change is None:
            return []
        ended = self._pipeline.finish(Flag.CLOCK_STEP) if change.leap else []
        rows = [*ended, change]
        if change.shift is not None:  # as if the daemon had been started again
            self._note_alarms(rows)
            self._pipeline = Pipeline(self._config, self._coupler, self._open_kinds)
            self._last_ns += change.shift.by_ns
        return rows

    def _now_ns(self) -> int:
        """The time now in the scale of the pairs."""
        if self._dating is not None:
            return self._dating.utc_ns(host_ns())
        if not self._pairs:
            return time.time_ns()
        return self._last_ns + host_ns() - self._last_host_ns

    def _note_alarms(self, rows: Sequence[Row]) -> None:
        for row in rows:
            if isinstance(row, AlarmChange):
                (self._open_kinds.add if row.change == "raised" else self._open_kinds.discard)(
                    row.kind
                )

    def _tell_notices(self) -> None:
        for notice in self._driver.notices():
            log.warning("%s", notice)
        if self._dating is not None:
            for notice in self._dating.notices():
                log.warning("%s", notice)

    def _hand_over(self, rows: list[Row]) -> None:
        self._note_alarms(rows)
        while True:
            try:
                self._queue.put(rows, timeout=READ_TIMEOUT_S if self._driver.finite else 0)
                return
            except queue.Full:
                if self._driver.finite and not self._stop.is_set():
                    continue
            with contextlib.suppress(queue.Empty):
                oldest = self._queue.get_nowait()
                kept: list[Row] = [row for row in oldest or () if not isinstance(row, Second)]
                self._dropped += len(oldest or ()) - len(kept)
                rows = kept + rows
                if self._dropped == len(oldest or ()) - len(kept):
                    log.error("the store does not keep up: per-second rows are being dropped")

    # keeper

    def _keep(self) -> None:
        batch: list[Row] = []
        due_s: float | None = None
        last_change = self._store.last_change_id()
        ended = False
        while not ended:
            wait_s = COMMIT_S if due_s is None else max(0.0, due_s - time.monotonic())
            try:
                rows = self._queue.get(timeout=wait_s)
                while True:
                    if rows is None:
                        ended = True
                        break
                    batch += rows
                    rows = self._queue.get_nowait()
            except queue.Empty:
                pass
            if batch and due_s is None:
                due_s = time.monotonic() + COMMIT_S
            if batch and (ended or _urgent(batch) or (due_s or 0) <= time.monotonic()):
                last_change = self._write(batch, last_change)
                batch, due_s = [], None
            elif not batch:
                last_change = self._notice_acknowledged(last_change)

    def _write(self, batch: Sequence[Row], last_change: int) -> int:
        """Store a batch, however long it takes, then tell."""
        while True:
            last_change = self._notice_acknowledged(last_change)
            try:
                stored = self._store.write(batch)
                break
            except StoreError as error:
                if self._stored_failure != str(error):
                    log.error("%s; will go on trying, nothing is forgotten", error)
                    self._stored_failure = str(error)
                if self._stop.wait(RETRY_S):
                    raise
        if self._stored_failure is not None:
            log.warning("the store takes rows again")
            self._stored_failure = None
        for item in stored:
            self._tell(item)
        return self._store.last_change_id()

    def _notice_acknowledged(self, last_change: int) -> int:
        """Tell of acknowledgements that another process has made."""
        if not self._store.changed_elsewhere():
            return last_change
        for item in self._store.acknowledged_after(last_change):
            self._tell(item)
        return self._store.last_change_id()

    # forwarder and status

    def _start_forwarder(self) -> threading.Thread | None:
        options = self._config.influxdb
        if options is None:
            return None
        from logger.forward.influx import InfluxForwarder

        self._forwarder = InfluxForwarder(
            self._config.store.path, options, self._config.station.name, os.environ
        )
        thread = threading.Thread(
            target=self._forwarder.run, args=(self._stored_all,), name="forwarder", daemon=True
        )
        thread.start()
        return thread

    def _clock_status(self) -> dict[str, Any]:
        dating = self._dating
        if dating is None:
            return {"times": "of the driver", "mended": self._order.mended}
        return {
            "times": dating.boot.trust.value,
            "steps": dating.steps,
            "ahead_s": round(dating.ahead_ns / 1e9, 3),
        }

    def status(self) -> dict[str, Any]:
        """What `mismatchd status` shows of a live daemon."""
        return {
            "pid": os.getpid(),
            "running_s": round(time.monotonic() - self._started, 1),
            "pairs": self._pairs,
            "pairs_per_s": round(self._rate, 1),
            "last_pair_ns": self._last_ns or None,
            "keyed": self._pipeline.keyed,
            "gaps": self._gaps,
            "clock": self._clock_status(),
            "counters": dict(self._driver.counters),
            "queue": self._queue.qsize(),
            "rows_dropped": self._dropped,
            "store_error": self._stored_failure,
            "forwarder": None if self._forwarder is None else self._forwarder.status(),
        }


def _urgent(batch: Sequence[Row]) -> bool:
    return any(
        isinstance(row, AlarmChange) or (isinstance(row, Transmission) and row.ended)
        for row in batch
    )
