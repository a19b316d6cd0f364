"""The running daemon: life cycle, threads and signals.

- capture: reads the driver and runs the pipeline (see service/capture_loop.py)
- keeper: writes rows to the store, then reports them (see service/store_loop.py)
- forwarders, notifiers, metrics and live feed: see service/outlets.py
- main: signals, the status socket, the service manager, shutdown

Capture never waits for the others. A finite input (a file) is read no faster than rows are stored.
A device cannot wait, so rows that cannot be stored are held in memory; on overflow the oldest are
dropped, counted and reported.
"""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from collections.abc import Callable

from drivers.contract import Driver, DriverError, WaitsForDevice
from drivers.timeline import synchronised
from logger.calibration.coupler import Coupler
from logger.config.load import Config
from logger.errors import MismatchdError
from logger.live.feed import Tap
from logger.live.status import Status, StatusSocket
from logger.service.capture_loop import CaptureLoop
from logger.service.handover import Handover
from logger.service.keeper import Report
from logger.service.outlets import Outlets
from logger.service.sd_notify import ServiceManager, Supervision
from logger.service.store_loop import HEALTH_S, StoreLoop
from logger.store.lock import StoreLock
from logger.store.tables import Event
from logger.wording import count

log = logging.getLogger("mismatchd")

POLL_S = 0.2
SALVAGE_S = 1.5  # at shutdown, time for a salvage,
STOP_S = 2.5  # and for capture and keeper


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
        self._report_outside = report
        self._stop = threading.Event()
        self._signalled = threading.Event()
        self._failure: MismatchdError | None = None
        self._tap = Tap()
        self._outlets = Outlets(config, self.status)
        self._handover = Handover(can_wait=driver.finite)
        self._store = StoreLoop(
            config,
            coupler,
            self._handover,
            self._report,
            self.status,
            self._stop,
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
        """Run until SIGTERM, SIGINT or the end of a finite input; return a summary in words.

        Raise LinkError if the device cannot be opened, MismatchdError if a thread failed; measured
        data is stored first.
        """
        path = self._config.store.path
        try:
            self._open_driver()
            self._outlets.start(self._driver)
        except BaseException:
            self._release()
            raise
        counts = self._store.counts()
        handlers = {
            number: signal.signal(number, lambda *_: self._signalled.set())
            for number in (signal.SIGTERM, signal.SIGINT)
        }
        try:
            with (
                StatusSocket(path, self.status) as socket,
                self._outlets.live_feed(self._tap, self._capture.open_kinds),
            ):
                self._run_loops(socket)
        finally:
            self._stop.set()
            for number, handler in handlers.items():
                signal.signal(number, handler)
            self._outlets.end()
            new = [
                count(total - counts.get(table, 0), table.removesuffix("s"))
                for table, total in self._store.counts().items()
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
            store_error=store.keeper.failure,
            commits=store.gauge.commits,
            commit_s=round(store.gauge.commit_s, 6),
            commits_failed=store.gauge.commits_failed,
            clock_synchronised=synchronised(),
            forwarders=[forwarder.status() for forwarder in self._outlets.forwarders],
            notifiers=[notifier.status() for notifier in self._outlets.notifiers],
        )

    def _run_loops(self, socket: StatusSocket) -> None:
        """Run capture and keeper until one of them ends or a signal arrives; then end both."""
        threads = [
            threading.Thread(target=self._guard, args=(work, socket.wake), name=name)
            for name, work in (("capture", self._capture.run), ("keeper", self._store.run))
        ]
        for thread in threads:
            thread.start()
        while any(thread.is_alive() for thread in threads):
            socket.serve(POLL_S)
            if self._signalled.is_set():
                break
            if self._manager.listens:
                self._supervise([thread.name for thread in threads if thread.is_alive()])
        self._manager.send("STOPPING=1")
        self._store.salvage_until_s = time.monotonic() + SALVAGE_S
        self._stop.set()
        deadline = time.monotonic() + STOP_S
        for thread in threads:
            thread.join(max(0.1, deadline - time.monotonic()))

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
            wake()
        self._stop.set()

    def _supervise(self, names: list[str]) -> None:
        """Report the state of the threads with these names to the service manager."""
        cycles = {"capture": self._capture.cycles, "keeper": self._store.cycles}
        state = "; ".join(filter(None, (self._store.keeper.failure, self._capture.state())))
        due = self._supervision.due(time.monotonic(), {name: cycles[name] for name in names}, state)
        self._manager.send(*due)

    def _report(self, item: Event) -> None:
        self._outlets.report(item)
        self._report_outside(item)

    def _release(self) -> None:
        self._store.keeper.close()
        self._lock.release()
