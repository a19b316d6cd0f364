"""The running daemon: life cycle, threads and signals.

- capture: reads the driver and runs the pipeline (see service/capture_loop.py)
- keeper: writes rows to the store, then reports them (see service/store_loop.py)
- reporter: reports alarms whose storing takes too long (see service/reporter.py)
- sync: makes what was stored survive a power cut (see service/log_sync.py)
- forwarders, notifiers, metrics and live feed: see service/outlets.py
- main: signals, the status socket, the service manager, shutdown

The main thread never waits for the disk: it uses the store's connection only before the keeper has
begun and after it has ended, and leaves a keeper behind that the disk holds up.

Capture never waits for the others. A finite input (a file) is read no faster than rows are stored.
A device cannot wait, so rows that cannot be stored are held in memory; on overflow the oldest are
dropped, counted and reported.
"""

from __future__ import annotations

import logging
import math
import os
import signal
import sys
import threading
import time
from collections.abc import Callable

from drivers.contract import Driver, DriverError, WaitsForDevice
from drivers.timeline import synchronised
from logger.calibration.coupler import Coupler
from logger.config.load import Config
from logger.errors import MismatchdError, StoreInUseError
from logger.live.feed import Tap
from logger.live.status import Status, StatusSocket
from logger.service.capture_loop import CaptureLoop
from logger.service.handover import Handover
from logger.service.outlets import Outlets
from logger.service.reporter import Report
from logger.service.sd_notify import ServiceManager, Supervision
from logger.service.store_loop import HEALTH_S, StoreLoop
from logger.store.lock import StoreLock
from logger.store.stall import StallLog
from logger.wording import count

log = logging.getLogger("mismatchd")

SWITCH_S = 0.001  # longest time for which a busy thread keeps the interpreter from others
POLL_S = 0.2
LOOK_S = 1.0  # interval of looks at the folder of the store
SALVAGE_S = 1.5  # at shutdown, time for a salvage,
STOP_S = 2.5  # and for capture and keeper,
END_S = 4.0  # and for all threads together
SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


class Daemon:
    """One run of one station.

    `report` is called for each ended transmission and alarm change after it has been stored; it
    must not block. `health_s` is the interval of rows of health. With `wait`, an absent device is
    waited for, if its driver can, instead of ending the run.
    """

    def __init__(
        self,
        config: Config,
        coupler: Coupler,
        driver: Driver,
        report: Report,
        *,
        health_s: float = HEALTH_S,
        wait: bool = False,
    ) -> None:
        self._config = config
        self._driver = driver
        self._open_driver = driver.open
        if wait and isinstance(driver, WaitsForDevice):
            self._open_driver = driver.open_or_wait
        self._lock = StoreLock(config.store.path)
        self._started_s = time.monotonic()
        self._manager = ServiceManager(os.environ, os.getpid())
        self._supervision = Supervision(self._manager.watchdog_s)
        self._stop = threading.Event()
        self._signalled = threading.Event()
        self._failure: MismatchdError | None = None
        self._end_s = math.inf  # monotonic time by which the process must have ended
        self._stall_log = StallLog()
        self._is_homeless = False
        self._keeper: threading.Thread | None = None
        self._running = {"capture", "keeper"}  # threads whose work has not ended
        self._tap = Tap()
        self._outlets = Outlets(config, self.status, report)
        self._handover = Handover(can_wait=driver.finite)
        self._store = StoreLoop(
            config,
            coupler,
            self._handover,
            self._outlets.report,
            self.status,
            self._stop,
            self._lock.ensure,
            period_s=self._supervision.feed_s,
            health_s=health_s,
        )
        keeper = self._store.keeper
        if keeper.open_kinds:
            log.warning("alarms still open from the last run: %s", ", ".join(keeper.open_kinds))
        self._capture = CaptureLoop(
            config, coupler, driver, keeper, self._handover, self._tap, self._stop
        )

    def run(self) -> str:
        """Run until one of SIGNALS or the end of a finite input; return a summary in words.

        Raise LinkError if the device cannot be opened, MismatchdError if a thread failed; measured
        data is stored first.
        """
        path = self._config.store.path
        sys.setswitchinterval(SWITCH_S)
        try:
            self._open_driver()
            self._outlets.start(self._driver)
        except BaseException:
            self._release()
            raise
        counts = self._store.counts()
        handlers = {
            number: signal.signal(number, lambda *_: self._signalled.set())
            for number in SIGNALS
            if signal.getsignal(number) != signal.SIG_IGN  # as nohup leaves SIGHUP
        }
        try:
            with (
                StatusSocket(path, self.status, self._handover.await_stored) as socket,
                self._outlets.live_feed(self._tap, self._capture.open_kinds),
            ):
                self._run_loops(socket)
        finally:
            self._stop.set()
            for number, handler in handlers.items():
                signal.signal(number, handler)
            self._outlets.end(self._end_s)
            self._await_keeper()
            new = [
                count(total - counts.get(table, 0), table.removesuffix("s"))
                for table, total in self._counts().items()
                if table != "seconds"
            ]
            self._driver.close()
            self._release()
        if self._failure is not None:
            raise self._failure
        return f"stored {', '.join(new) or 'nothing'} in {path}"

    def status(self) -> Status:
        """Return the state of the daemon."""
        capture, store = self._capture, self._store
        return Status(
            pid=os.getpid(),
            station=self._config.station.name,
            running_s=round(time.monotonic() - self._started_s, 1),
            pairs=capture.pairs,
            pairs_per_s=round(capture.pairs_per_s, 1),
            last_pair_ns=capture.last_ns or None,
            keyed=capture.keyed,
            gaps=capture.gaps,
            clock=capture.dating.status(),
            counters=dict(self._driver.counters),
            queue=len(self._handover),
            rows_dropped=store.rows_dropped,
            store_error=store.keeper.failure or store.sync.failure,
            commits=store.gauge.commits,
            commit_s=round(store.gauge.commit_s, 6),
            commits_failed=store.gauge.commits_failed,
            clock_synchronised=synchronised(),
            forwarders=[forwarder.status() for forwarder in self._outlets.forwarders],
            notifiers=[notifier.status() for notifier in self._outlets.notifiers],
            stalls=store.stalls,
            stalled_s=round(store.stalled_s(), 3),
        )

    def _run_loops(self, socket: StatusSocket) -> None:
        """Run capture and keeper until both have ended, or until a signal arrives and ends them."""
        capture, keeper, *others = [
            threading.Thread(target=self._guard, args=(work, socket.wake), name=name, daemon=True)
            for name, work in (
                ("capture", self._capture.run),
                ("keeper", self._store.run),
                ("reporter", self._store.keeper.reporter.run),
                ("sync", self._store.sync.run),
            )
        ]
        threads = [capture, keeper]
        self._keeper = keeper
        for thread in (*others, *threads):
            thread.start()
        looked_s = -math.inf
        while self._running:
            socket.serve(POLL_S)
            if self._signalled.is_set():
                break
            stalled_s, now_s = self._store.stalled_s(), time.monotonic()
            self._stall_log.update(stalled_s, now_s)
            if not stalled_s and now_s >= looked_s + LOOK_S:  # a look may take as long as a stall
                looked_s = now_s
                self._ensure_folder(socket)
            if self._manager.listens:
                self._supervise([*self._running])
        self._manager.send("STOPPING=1")
        now_s = time.monotonic()
        self._end_s = now_s + END_S
        self._store.salvage_until_s = now_s + SALVAGE_S
        self._stop.set()
        for thread in threads:
            thread.join(max(0.1, now_s + STOP_S - time.monotonic()))
        self._store.keeper.reporter.end()
        self._store.sync.end()
        for thread in others:
            thread.join(0.1)

    def _guard(self, work: Callable[[], None], wake: Callable[[], None]) -> None:
        """Run a thread's work; record any failure, so that no thread fails silently."""
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
            self._running.discard(threading.current_thread().name)
            wake()
        self._stop.set()

    def _await_keeper(self) -> None:
        """Give a slow disk what time is left; what is not stored then is lost."""
        if self._keeper is not None and self._end_s < math.inf:
            self._keeper.join(max(0.0, self._end_s - time.monotonic()))
        if self._is_keeper_stuck:
            self._failure = self._store.lost()

    def _ensure_folder(self, socket: StatusSocket) -> None:
        """Create the lock and the sockets again if somebody has removed them or their folder."""
        try:
            if self._lock.ensure():
                log.error(
                    "%s: the lock was removed, perhaps with the whole folder; created again",
                    self._config.store.path.parent,
                )
            socket.renew()
        except StoreInUseError as error:  # rows of both must not mix
            self._failure = error
            self._signalled.set()
        except MismatchdError as error:
            if not self._is_homeless:
                log.error("%s", error)
            self._is_homeless = True
        else:
            self._is_homeless = False

    def _counts(self) -> dict[str, int]:
        return {} if self._is_keeper_stuck else self._store.counts()

    @property
    def _is_keeper_stuck(self) -> bool:
        return self._keeper is not None and self._keeper.is_alive()

    def _supervise(self, names: list[str]) -> None:
        """Report the state of the threads with these names to the service manager."""
        cycles = {"capture": self._capture.cycles, "keeper": self._store.cycles_or_stall()}
        state = "; ".join(filter(None, (self._store.keeper.failure, self._capture.state())))
        due = self._supervision.due(time.monotonic(), {name: cycles[name] for name in names}, state)
        self._manager.send(*due)

    def _release(self) -> None:
        if not self._is_keeper_stuck:  # its connection must not be closed while it is in use
            self._store.close()
        self._lock.release()
