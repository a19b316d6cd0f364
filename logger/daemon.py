"""The running daemon: the only module with threads and signals.

- capture: reads the driver, runs the pipeline, passes rows on; never waits for the others
- keeper: writes rows to the store, then reports alarms and ended transmissions at once
- forwarders: follow the store, each on its own connection (see forward/)
- notifiers: report alarms, each through its own channel (see notify/)
- metrics: answers scrapers, if configured (see service/metrics.py)
- live: current readings for connected viewers (see live/feed.py)
- main: signals, the status socket, the service manager, shutdown

A finite input (a file) can be made to wait, so it is read no faster than rows are stored. A device
cannot, so rows that cannot be stored are held in memory; on overflow the oldest are dropped,
counted and reported.
"""

from __future__ import annotations

import contextlib
import logging
import math
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drivers.contract import (
    READ,
    Driver,
    DriverError,
    EndOfInput,
    HasClock,
    SampleBlock,
    Sends,
    StatesAbsence,
    WaitsForDevice,
)
from drivers.timeline import boot_name, host_ns, read_clocks
from logger.calibration.coupler import Coupler
from logger.calibration.file import dump
from logger.config.load import Config
from logger.errors import MismatchdError, StoreError
from logger.live.feed import LiveFeed
from logger.live.meter import reading_of
from logger.live.reading import LiveReading
from logger.live.status import StatusSocket
from logger.live.tap import Tap
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Flag, Memory, Row
from logger.service.dating import EARLIEST_NS, LONGEST_SLEW_NS, Dating, Order
from logger.service.handover import Handover
from logger.service.health import CaptureTotals, Clocks, HealthGauge, next_row_s
from logger.service.host_clock import running_ns, synchronised
from logger.service.keeper import COMMIT_S, Keeper, Tell
from logger.service.sd_notify import ServiceManager, Supervision
from logger.stages.view import View
from logger.store import redate
from logger.store.lock import StoreLock
from logger.store.tables import Stored
from logger.store.writer import StoreWriter
from logger.utc import DAY_NS, format_ns
from logger.wording import count

if TYPE_CHECKING:
    from logger.forward.influx import InfluxForwarder
    from logger.notify.notifier import Notifier

log = logging.getLogger("mismatchd")

READ_TIMEOUT_S = 0.25
QUIET_LINGER_S = 0.04  # nobody transmits: collect this long, well within the shortest hold time
KEYED_LINGER_S = 0.001
MANY_LINGER_S = 0.005  # likewise if pairs arrive so fast that the last block had
MANY_PAIRS = 64  # this many or more: the cost of a block hardly depends on its size
BUSY_SHARE = 1.0  # while keyed, collect for this multiple of the processing time of the last block
POLL_S = 0.2
GAP_NS = 1_000_000_000  # `status` counts silences longer than this
FRESH_S = 2.0  # longer silences are reported to the service manager
HEALTH_S = 60.0
HEALTH_WAITS_S = 5.0  # longest wait of a row of health for other rows to be stored with
SALVAGE_S = 1.5  # at shutdown, time for a salvage,
STOP_S = 2.5  # for capture and keeper,
LIVE_S = 0.5  # for the live feed,
FORWARD_S = 2.0  # and then for the forwarders and notifiers


class Daemon:
    """One run of one station.

    `tell` is called for each ended transmission and alarm change after it has been stored; it must
    not block. `health_s` is the interval of rows of health. With `wait`, an absent device is waited
    for, if its driver can, instead of ending the run.
    """

    def __init__(
        self,
        config: Config,
        coupler: Coupler,
        driver: Driver,
        tell: Tell,
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
        self._content = dump(coupler.content)
        self._coupler = coupler
        self._handed = Handover()
        self._ended = False  # the last rows have been taken
        self._interrupted = True  # transmissions of the last run may still be open
        self._work_ns: tuple[int, ...] = ()  # repairs and adjustments: set by the keeper,
        self._known_work_ns: tuple[int, ...] = ()  # and those that the pipeline knows
        self._tell_outside = tell
        self._notifiers: list[Notifier] = []
        self._keeper = Keeper(
            self._open_store,
            self._tell,
            hear_work=self._hear_work,
            keep_ns=config.store.keep_samples_days * DAY_NS,
            keep_bytes=None
            if config.store.keep_samples_mb is None
            else config.store.keep_samples_mb * 1_000_000,
        )
        open_kinds = self._keeper.open_kinds
        if open_kinds:
            log.warning("still open since the last run: %s", ", ".join(open_kinds))
        self._open_kinds = set(open_kinds)
        self._memories = dict(self._keeper.memories)
        self._tap = Tap()
        self._pipeline = Pipeline(config, coupler, open_kinds, self._memories, tap=self._tap.give)
        self._order = Order()
        self._dating: Dating | None = None
        if isinstance(driver, HasClock) and driver.clock == "host":
            self._dating = _dating(self._keeper.store)
        shortest_s = 1e-3 * min(
            config.watchdog.high_swr.hold_ms, config.watchdog.high_reflected_power.hold_ms
        )
        self._quiet_linger_s = min(QUIET_LINGER_S, 0.8 * shortest_s)
        self._stop = threading.Event()
        self._stored_all = threading.Event()
        self._signalled = threading.Event()
        self._failure: MismatchdError | None = None
        self._deadline_s = math.inf  # for a salvage still running at shutdown
        self._pairs = 0
        self._gaps = 0
        self._last_ns = 0
        self._last_host_ns = 0
        self._rate = 0.0
        self._forwarders: list[InfluxForwarder] = []
        self._metrics: Any = None
        self._started = time.monotonic()
        self._turns = {"capture": 0, "keeper": 0}
        self._heard_s = self._started
        self._manager = ServiceManager(os.environ, os.getpid())
        self._supervision = Supervision(self._manager.watchdog_s)
        clocks = _clocks()
        self._gauge = HealthGauge(clocks)
        self._health_s = health_s
        self._health_due_s = self._started + next_row_s(clocks.utc_ns, health_s)

    def run(self) -> str:
        """Run until SIGTERM, SIGINT or the end of a finite input; return a summary in words.

        Raise LinkError if the device cannot be opened, MismatchdError if a thread failed; measured
        data is stored first.
        """
        try:
            self._open_driver()
            forwarding = self._start_forwarders() + self._start_notifiers()
        except BaseException:
            self._release()
            raise
        self._start_metrics()
        before = self._counts()
        previous = {
            number: signal.signal(number, lambda *_: self._signalled.set())
            for number in (signal.SIGTERM, signal.SIGINT)
        }
        try:
            with StatusSocket(self._config.store.path, self.status) as socket, self._live():
                threads = [
                    threading.Thread(target=self._guard, args=(work, socket.wake), name=name)
                    for name, work in (("capture", self._capture), ("keeper", self._keep))
                ]
                for thread in threads:
                    thread.start()
                while any(thread.is_alive() for thread in threads):
                    socket.serve(POLL_S)
                    if self._signalled.is_set():
                        break
                    if self._manager.listens:
                        self._supervise(threads)
                self._manager.send("STOPPING=1")
                self._deadline_s = time.monotonic() + SALVAGE_S
                self._stop.set()
                deadline = time.monotonic() + STOP_S
                for thread in threads:
                    thread.join(max(0.1, deadline - time.monotonic()))
        finally:
            self._stop.set()
            for number, handler in previous.items():
                signal.signal(number, handler)
            self._stored_all.set()
            for notifier in self._notifiers:
                notifier.end()
            deadline = time.monotonic() + FORWARD_S
            for thread in forwarding:
                thread.join(max(0.0, deadline - time.monotonic()))
            for notifier in self._notifiers:
                notifier.abandon()
            if self._metrics is not None:
                self._metrics.close()
            summary = self._summary(before)
            self._driver.close()
            self._release()
        if self._failure is not None:
            raise self._failure
        return summary

    def _open_store(self, damaged: bool) -> StoreWriter:
        path = self._config.store.path
        store = (
            StoreWriter.salvage(path, self._during_salvage) if damaged else StoreWriter.open(path)
        )
        try:
            store.insert_calibration(self._coupler.id, self._content)
            interrupted = store.close_interrupted() if self._interrupted else 0
        except BaseException:
            store.close()
            raise
        self._interrupted = False
        if interrupted:
            log.warning("%s cut short when the last run ended", count(interrupted, "transmission"))
        return store

    def _release(self) -> None:
        self._keeper.close()
        self._lock.release()

    def _counts(self) -> dict[str, int]:
        try:
            return {} if self._keeper.store is None else self._keeper.store.counts()
        except StoreError:
            return {}

    def _summary(self, before: dict[str, int]) -> str:
        new = {name: count - before.get(name, 0) for name, count in self._counts().items()}
        listed = ", ".join(f"{count} {name}" for name, count in new.items()) or "nothing"
        return f"stored {listed} in {self._config.store.path}"

    def _guard(self, work: Callable[[], None], ended: Callable[[], None]) -> None:
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
            ended()
        self._stop.set()

    def _supervise(self, threads: Sequence[threading.Thread]) -> None:
        """Report the state to the service manager."""
        before = self._supervision.stalled
        turns = {thread.name: self._turns[thread.name] for thread in threads if thread.is_alive()}
        now_s = time.monotonic()
        self._manager.send(*self._supervision.tell(now_s, turns, self._in_words(now_s)))
        stalled = self._supervision.stalled
        if stalled and not before:
            log.error("%s thread stalled; withholding the watchdog ping", " and ".join(stalled))
        elif before and not stalled:
            log.warning("%s thread running again", " and ".join(before))

    def _in_words(self, now_s: float) -> str:
        if not self._last_ns:
            words = "no pairs yet"
        elif now_s - self._heard_s > FRESH_S:
            words = f"no pairs since {format_ns(self._last_ns)}"
        else:
            words = f"{self._rate:.3g} pairs/s, key {'down' if self._pipeline.keyed else 'up'}"
        away = self._driver.away if isinstance(self._driver, StatesAbsence) else None
        troubles = [self._keeper.failure, away, words]
        return "; ".join(filter(None, troubles))

    # capture

    def _capture(self) -> None:
        driver = self._driver
        ending = Flag.INTERRUPTED
        busy_s, least_s = 0.0, KEYED_LINGER_S
        mark_s, mark_pairs = time.monotonic(), 0
        try:
            while not self._stop.is_set():
                linger_s = (
                    max(least_s, BUSY_SHARE * busy_s)
                    if self._pipeline.keyed
                    else self._quiet_linger_s
                )
                block = driver.read(READ_TIMEOUT_S, linger_s)
                begun_s = time.monotonic()
                rows = self._look_at_clock()
                self._pass_work_on()
                self._tell_notices()
                if block is not None:
                    least_s = MANY_LINGER_S if len(block) >= MANY_PAIRS else KEYED_LINGER_S
                    rows += self._process(block)
                elif not driver.finite:
                    rows += self._pipeline.tick(self._now_ns())
                if rows:
                    self._note(rows)
                    self._handed.give(rows)
                    while driver.finite and not self._handed.room(READ_TIMEOUT_S):
                        if self._stop.is_set():
                            break
                now_s = time.monotonic()
                busy_s = min(now_s - begun_s, self._quiet_linger_s)
                if now_s - mark_s >= 2.0:
                    self._rate = (self._pairs - mark_pairs) / (now_s - mark_s)
                    mark_s, mark_pairs = now_s, self._pairs
                self._turns["capture"] += 1
        except EndOfInput:
            ending = Flag(0)
        finally:
            self._tell_notices()
            self._handed.give(self._pipeline.finish(ending))
            self._handed.end()

    def _process(self, block: SampleBlock) -> list[Row]:
        dated = (self._dating or self._order).date(block, keyed=self._pipeline.keyed)
        rows = self._pipeline.process(dated)
        self._gaps += self._pairs > 0 and int(dated.time_ns[0]) - self._last_ns > GAP_NS
        self._pairs += len(dated)
        self._last_ns = int(dated.time_ns[-1])
        self._last_host_ns = host_ns()
        self._heard_s = time.monotonic()
        return rows

    def _look_at_clock(self) -> list[Row]:
        """Return the rows caused by a change of the wall clock."""
        change = None if self._dating is None else self._dating.look(read_clocks())
        if change is None:
            return []
        ended = self._pipeline.finish(Flag.CLOCK_STEP) if change.leap else []
        rows = [*ended, change]
        if change.shift is not None:  # as if the daemon had been restarted
            self._note(rows)
            self._pipeline = Pipeline(
                self._config,
                self._coupler,
                self._open_kinds,
                self._memories,
                tap=self._tap.give,
            )
            self._last_ns += change.shift.by_ns
        return rows

    def _hear_work(self, times_ns: list[int]) -> None:
        self._work_ns = tuple(times_ns)

    def _pass_work_on(self) -> None:
        work_ns = self._work_ns
        if work_ns != self._known_work_ns:
            self._pipeline.know_work(work_ns)
            self._known_work_ns = work_ns

    def _now_ns(self) -> int:
        """Return the present time in the scale of the pairs."""
        if self._dating is not None:
            return self._dating.utc_ns(host_ns())
        if not self._pairs:
            return time.time_ns()
        return self._last_ns + host_ns() - self._last_host_ns

    def _note(self, rows: Sequence[Row]) -> None:
        """Record the state with which another pipeline has to begin."""
        for row in rows:
            if isinstance(row, Memory):
                self._memories[row.rule] = row.content
            elif isinstance(row, AlarmChange):
                (self._open_kinds.add if row.change == "raised" else self._open_kinds.discard)(
                    row.kind
                )

    def _tell_notices(self) -> None:
        for notice in self._driver.notices():
            log.warning("%s", notice)
        if self._dating is not None:
            for notice in self._dating.notices():
                log.warning("%s", notice)

    # keeper

    def _keep(self) -> None:
        keeper = self._keeper
        longest_s = self._supervision.feed_s or COMMIT_S
        ending = False
        while not ending:
            self._gauge.queued(len(self._handed))
            self._take(min(longest_s, keeper.wait_s(time.monotonic())))
            ending = self._ended
            begun_s = time.monotonic()
            keeper.take(self._health_rows(), begun_s)
            committed = keeper.keep(begun_s, ending=ending)
            if committed:
                self._gauge.committed(time.monotonic() - begun_s)
            elif committed is False:
                self._gauge.failed()
            if keeper.failure is None or keeper.disk_takes_nothing:
                self._turns["keeper"] += 1  # see sd_notify

    def _take(self, wait_s: float) -> None:
        keeper = self._keeper
        if self._driver.finite and keeper.failure is not None and not self._stop.is_set():
            self._stop.wait(wait_s)  # data that is not taken stays in the file
            return
        rows, self._ended = self._handed.take(wait_s)
        keeper.take(rows, time.monotonic())

    def _during_salvage(self) -> None:
        """Keep reporting alarms during a salvage; end it soon after a shutdown request."""
        self._take(0.0)
        self._turns["keeper"] += 1
        if time.monotonic() > self._deadline_s:
            raise StoreError(
                f"{self._config.store.path}: the daemon stopped before salvage was complete; the"
                " next start repeats it"
            )

    def _health_rows(self) -> list[Row]:
        """Return the row of health of the last minute, once a minute.

        It is stored with the thin sample of pairs, since a commit of its own would wear the card.
        """
        late_s = time.monotonic() - self._health_due_s
        if late_s < 0 or not (self._keeper.waits or late_s >= min(HEALTH_WAITS_S, self._health_s)):
            return []
        clocks = _clocks()
        self._health_due_s += late_s + next_row_s(clocks.utc_ns, self._health_s)
        counters = self._driver.counters
        totals = CaptureTotals(
            pairs=self._pairs,
            gaps=self._gaps,
            input_dropped=sum(count for name, count in counters.items() if name not in READ),
            rows_dropped=self._handed.dropped + self._keeper.dropped,
        )
        waiting = [forwarder.status()["backlog"] for forwarder in self._forwarders]
        backlog = sum(waiting) if waiting else None
        return [self._gauge.row(clocks, totals, synchronised(), backlog)]

    # forwarders, metrics, the live feed and status

    @contextlib.contextmanager
    def _live(self) -> Iterator[None]:
        """Run the live feed on its own thread."""
        feed = LiveFeed(self._config.store.path, self._tap, self._live_reading)
        thread = threading.Thread(target=self._serve_live, args=(feed,), name="live", daemon=True)
        thread.start()
        try:
            yield
        finally:
            feed.end()
            thread.join(LIVE_S)

    def _serve_live(self, feed: LiveFeed) -> None:
        try:
            feed.run()
        except Exception:  # viewers must not stop the daemon
            log.exception("the live feed has stopped")

    def _live_reading(self, views: Sequence[View]) -> LiveReading:
        return reading_of(views, self._config.station.channel, tuple(self._open_kinds))

    def _start_forwarders(self) -> list[threading.Thread]:
        """Start one thread per forwarder, so that an unreachable server delays no other."""
        config = self._config
        if not config.forwarders:
            return []
        from logger.forward.influx import forwarders

        self._forwarders = forwarders(
            config.store.path, config.forwarders, config.station.name, os.environ
        )
        threads = [
            threading.Thread(
                target=forwarder.run, args=(self._stored_all,), name=forwarder.name, daemon=True
            )
            for forwarder in self._forwarders
        ]
        for thread in threads:
            thread.start()
        return threads

    def _advice(self, alarm: Mapping[str, Any]) -> list[str]:
        """Return possible causes of an alarm; called on the threads of notifiers."""
        from logger.diagnosis import advice

        return advice(self._config.store.path, alarm)

    def _start_notifiers(self) -> list[threading.Thread]:
        """Start one thread per notifier, so that a slow one delays no other."""
        config = self._config
        if not config.notifiers:
            return []
        from logger.notify.build import build_notifiers
        from logger.notify.channel import ChannelContext

        surroundings = ChannelContext(
            config.station.name,
            config.path.parent,
            os.environ,
            self._driver.send if isinstance(self._driver, Sends) else None,
            watching=True,
        )
        self._notifiers = build_notifiers(
            config.store.path, config.notifiers, surroundings, self.status, self._advice
        )
        threads = [
            threading.Thread(target=notifier.run, name=f"notify {notifier.name}", daemon=True)
            for notifier in self._notifiers
        ]
        for thread in threads:
            thread.start()
        return threads

    def _tell(self, item: Stored) -> None:
        for notifier in self._notifiers:
            notifier.offer(item)
        self._tell_outside(item)

    def _start_metrics(self) -> None:
        if self._config.metrics is not None:
            from logger.service.metrics import MetricsServer  # http.server costs 10 MB

            self._metrics = MetricsServer(self._config.metrics, self.status)

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
        """Return the content of `mismatchd status` for a running daemon."""
        return {
            "pid": os.getpid(),
            "station": self._config.station.name,
            "running_s": round(time.monotonic() - self._started, 1),
            "pairs": self._pairs,
            "pairs_per_s": round(self._rate, 1),
            "last_pair_ns": self._last_ns or None,
            "keyed": self._pipeline.keyed,
            "gaps": self._gaps,
            "clock": self._clock_status(),
            "counters": dict(self._driver.counters),
            "queue": len(self._handed),
            "rows_dropped": self._handed.dropped + self._keeper.dropped,
            "store_error": self._keeper.failure,
            "commits": self._gauge.commits,
            "commit_s": round(self._gauge.commit_s, 6),
            "commits_failed": self._gauge.commits_failed,
            "clock_synchronised": synchronised(),
            "forwarders": [forwarder.status() for forwarder in self._forwarders],
            "notifiers": [notifier.status() for notifier in self._notifiers],
        }


def _clocks() -> Clocks:
    return Clocks(time.time_ns(), running_ns())


def _dating(store: StoreWriter | None) -> Dating:
    name, now = boot_name(), read_clocks()
    if store is None:  # it cannot be opened yet
        return Dating(now, None, name, None)
    known, lost = redate.select_boot(store.database, name)
    if lost:
        log.warning(
            "rows of %d earlier start(s) of this host can never be dated: its clock was not"
            " set before it was stopped; they keep provisional times and are not forwarded",
            lost,
        )
    # A trusted clock must not be blocked by rows that a wrong clock placed in the far future.
    trusted = now.wall_ns >= EARLIEST_NS and (now.synchronised or known is not None)
    upto = (now.wall_ns + LONGEST_SLEW_NS,) if trusted else ()
    dating = Dating(now, redate.last_ns(store.database, *upto), name, known)
    redate.upsert_boot(store.database, dating.boot)
    return dating
