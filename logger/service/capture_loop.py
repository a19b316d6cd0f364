"""The capture loop: reads the driver, dates the pairs and passes the rows of the pipeline on.

It never waits for the store: rows go through a `Handover`. Only a finite input (a file) waits while
many rows are left, so that it is read no faster than rows are stored.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Sequence

from drivers.contract import (
    Defers,
    Driver,
    EndOfInput,
    HasClock,
    SampleBlock,
    StatesAbsence,
    join,
)
from drivers.timeline import boot_name, host_ns, read_clocks
from logger import faults
from logger.calibration.coupler import Coupler
from logger.config.load import Config
from logger.live.feed import Tap
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, ChangeKind, Flag, Memory, Row
from logger.service.dating import EARLIEST_NS, LONGEST_SLEW_NS, Dating, Order
from logger.service.handover import Handover
from logger.service.heap import keep_heap
from logger.service.keeper import Keeper
from logger.stages.antennas import describe_unknown
from logger.store import redate
from logger.store.journal import JournalNotes
from logger.store.writer import StoreWriter
from logger.utc import format_ns
from logger.wording import count

log = logging.getLogger("mismatchd")

READ_TIMEOUT_S = 0.25
QUIET_LINGER_S = 0.04  # nobody transmits: collect this long, well within the shortest hold time
KEYED_LINGER_S = 0.001
MANY_LINGER_S = 0.005  # likewise if pairs arrive so fast that the last block had
MANY_PAIRS = 64  # this many or more: the cost of a block hardly depends on its size,
FLOOD_LINGER_S, FLOOD_PAIRS = 0.03, 1024  # and even less at the highest rates
COMPLETING_S = 0.01  # longest wait for the pair that completes a hold time
YIELD_LINGER_S = 0.004  # after an alarm: others that report it need the interpreter
CALM_NS = 40_000_000  # a transmission within all limits: process what comes in this time at once
BUSY_SHARE = 1.0  # while keyed, collect for this multiple of the processing time of the last block
GAP_NS = 1_000_000_000  # `status` counts silences longer than this
RATE_S = 2.0  # interval of measuring the rate of pairs
FRESH_S = 2.0  # longer silences are reported to the service manager


class CaptureLoop:
    """Runs until `stop` is set or the input ends; begins with the state that `keeper` has read.

    cycles      number of completed reads, for `Supervision`
    open_kinds  alarms that are open by the rows so far
    """

    def __init__(
        self,
        config: Config,
        coupler: Coupler,
        driver: Driver,
        keeper: Keeper,
        handover: Handover,
        tap: Tap,
        stop: threading.Event,
    ) -> None:
        self._config = config
        self._coupler = coupler
        self._driver = driver
        self._defers = driver if isinstance(driver, Defers) else None
        self._handover = handover
        self._reporter = keeper.reporter
        self._tap = tap
        self._stop = stop
        self.open_kinds = set(keeper.open_kinds)
        self._memories = dict(keeper.memories)
        self._pipeline = self._new_pipeline()
        by_host = isinstance(driver, HasClock) and driver.clock == "host"
        self.dating: Dating | Order = _start_dating(keeper.store) if by_host else Order()
        watchdog = config.watchdog
        shortest_s = 1e-3 * min(watchdog.high_swr.hold_ms, watchdog.high_reflected_power.hold_ms)
        self._quiet_linger_s = min(QUIET_LINGER_S, 0.8 * shortest_s)
        self._keeps_heap = False
        self.cycles = 0
        self.pairs = 0
        self.gaps = 0
        self.pairs_per_s = 0.0
        self.last_ns = 0  # time of the last pair, and the host's clock then
        self._last_host_ns = host_ns()

    @property
    def keyed(self) -> bool:
        """True during a transmission."""
        return self._pipeline.keyed

    def state(self) -> str:
        """Return the state in words, for the service manager."""
        if not self.last_ns:
            words = "no pairs yet"
        elif host_ns() - self._last_host_ns > FRESH_S * 1e9:
            words = f"no pairs since {format_ns(self.last_ns)}"
        else:
            words = f"{self.pairs_per_s:.3g} pairs/s, key {'down' if self.keyed else 'up'}"
        away = self._driver.away if isinstance(self._driver, StatesAbsence) else None
        return "; ".join(filter(None, (away, words)))

    def run(self) -> None:
        """Read and process until the end, then hand over the last rows."""
        driver = self._driver
        ending = Flag.INTERRUPTED
        busy_s, last_busy_s, least_s = 0.0, 0.0, KEYED_LINGER_S
        yields = False
        mark_s, mark_pairs = time.monotonic(), 0
        try:
            while not self._stop.is_set():
                asked_ns = host_ns()
                # One slow block is a busy machine, two are a slow one.
                usual_s = max(least_s, BUSY_SHARE * min(busy_s, last_busy_s))
                if yields:
                    usual_s = max(usual_s, YIELD_LINGER_S)
                blocks = self._read(asked_ns, usual_s, busy_s)
                begun_s = time.monotonic()
                rows = self._follow_clock()
                self._pass_notes()
                self._log_notices()
                self._pipeline.patience_ns = self._patience_ns()
                for block in blocks:
                    least_s = _least_linger_s(len(block))
                    rows += self._process(block)
                if not blocks and not driver.finite:
                    # Nothing had come when it was asked. Since then the process may have been
                    # stopped, and pairs may be waiting.
                    rows += self._pipeline.tick(self._utc_ns(asked_ns))
                yields = any(isinstance(row, AlarmChange) for row in rows)
                if rows:
                    self._hand_over(rows)
                now_s = time.monotonic()
                last_busy_s, busy_s = busy_s, min(now_s - begun_s, self._quiet_linger_s)
                if now_s - mark_s >= RATE_S:
                    self.pairs_per_s = (self.pairs - mark_pairs) / (now_s - mark_s)
                    mark_s, mark_pairs = now_s, self.pairs
                self.cycles += 1
        except EndOfInput:
            ending = Flag(0)
        finally:
            self._log_notices()
            self._give(self._pipeline.finish(ending))
            self._handover.end()

    def _new_pipeline(self) -> Pipeline:
        self._notes = JournalNotes()  # as known to the pipeline
        self._unknown_antennas: list[str] = []
        return Pipeline(
            self._config, self._coupler, self.open_kinds, self._memories, tap=self._tap.give
        )

    def _process(self, block: SampleBlock) -> list[Row]:
        dated = self.dating.date(block, keyed=self.keyed)
        if len(dated) >= FLOOD_PAIRS and not self._keeps_heap:
            self._keeps_heap = True
            keep_heap()
        rows = self._pipeline.process(dated)
        self.gaps += self.pairs > 0 and int(dated.time_ns[0]) - self.last_ns > GAP_NS
        self.pairs += len(dated)
        self.last_ns = int(dated.time_ns[-1])
        self._last_host_ns = host_ns()
        return rows

    def _patience_ns(self) -> int:
        """Return how long pairs may wait that raise no alarm; viewers want to see them at once."""
        return 0 if self._driver.finite or self._tap.open else CALM_NS

    def _follow_clock(self) -> list[Row]:
        """Return the rows caused by a change of the wall clock."""
        change = self.dating.check(read_clocks()) if isinstance(self.dating, Dating) else None
        if change is None:
            return []
        ended = self._pipeline.finish(Flag.CLOCK_STEP) if change.leap else []
        rows = [*ended, change]
        if change.shift is not None:  # as if the daemon had been restarted
            self._remember(rows)
            if faults.KIND in self._memories:
                content = faults.redate(self._memories[faults.KIND], change.shift)
                self._memories[faults.KIND] = content
            self._pipeline = self._new_pipeline()
            self.last_ns += change.shift.by_ns
        return rows

    def _pass_notes(self) -> None:
        notes = self._handover.notes
        if notes != self._notes:
            self._pipeline.know_work(notes.work_ns)
            self._pipeline.know_checks(notes.checks)
            unknown = self._pipeline.know_antennas(notes.antennas)
            if unknown and unknown != self._unknown_antennas:
                log.warning("%s", describe_unknown(unknown))
            self._unknown_antennas = unknown
            self._notes = notes

    def _read(self, at_ns: int, usual_s: float, busy_s: float) -> list[SampleBlock]:
        """Read what arrives, while keyed for `usual_s`; no blocks if nothing does.

        If a hold time ends before another block could be processed, which takes `busy_s`, read up
        to the pair that completes it, so that this one does not wait for those before it.
        """
        driver = self._driver
        due_ns = self._pipeline.due_ns if self.keyed and not driver.finite else None
        if due_ns is not None:
            half_ns = 0.5e9 / self.pairs_per_s if self.pairs_per_s else 0.0  # see `watchdog.hold`
            left_s = 1e-9 * (due_ns - half_ns - self._utc_ns(at_ns))
            if left_s < usual_s + busy_s:
                blocks = [driver.read(READ_TIMEOUT_S, max(0.0, left_s))]
                if blocks[0] is not None and self._pair_ns(blocks[0]) < due_ns - half_ns:
                    blocks.append(driver.read(COMPLETING_S, 0.0))
                return _joined([block for block in blocks if block is not None])
        linger_s = usual_s if self.keyed else max(usual_s, self._quiet_linger_s)
        if self._defers is not None:
            self._defers.quiet_v = None if self._tap.open else self._pipeline.quiet_v
        block = driver.read(READ_TIMEOUT_S, linger_s)
        return [] if block is None else [block]

    def _pair_ns(self, block: SampleBlock) -> int:
        """Return the UTC of the last pair of a block that is not dated."""
        last_ns = int(block.time_ns[-1])
        return self.dating.utc_ns(last_ns) if isinstance(self.dating, Dating) else last_ns

    def _utc_ns(self, at_ns: int) -> int:
        """Return a time of the host's clock in the scale of the pairs."""
        if isinstance(self.dating, Dating):
            return self.dating.utc_ns(at_ns)
        if not self.pairs:
            return time.time_ns()
        return self.last_ns + at_ns - self._last_host_ns

    def _hand_over(self, rows: list[Row]) -> None:
        self._remember(rows)
        self._give(rows)
        while self._handover.can_wait and not self._handover.room(READ_TIMEOUT_S):
            if self._stop.is_set():
                break

    def _give(self, rows: list[Row]) -> None:
        if not self._handover.can_wait:  # rows of a file are stored when their turn comes
            self._reporter.expect(rows)
        self._handover.give(rows)

    def _remember(self, rows: Sequence[Row]) -> None:
        """Record the state with which another pipeline has to begin."""
        for row in rows:
            if isinstance(row, Memory):
                self._memories[row.rule] = row.content
            elif isinstance(row, AlarmChange) and row.change == ChangeKind.RAISED:
                self.open_kinds.add(row.kind)
            elif isinstance(row, AlarmChange):
                self.open_kinds.discard(row.kind)

    def _log_notices(self) -> None:
        for notice in (*self._driver.notices(), *self.dating.notices()):
            log.warning("%s", notice)


def _least_linger_s(pairs: int) -> float:
    """Return how long to collect while keyed, after a block of so many pairs."""
    if pairs >= FLOOD_PAIRS:
        return FLOOD_LINGER_S
    return MANY_LINGER_S if pairs >= MANY_PAIRS else KEYED_LINGER_S


def _joined(blocks: list[SampleBlock]) -> list[SampleBlock]:
    """Return consecutive blocks as one, unless that would lose a gap or a doubt between them."""
    if any(block.gap or block.clock_step != blocks[0].clock_step for block in blocks[1:]):
        return blocks
    return blocks and [join(blocks)]


def _start_dating(store: StoreWriter | None) -> Dating:
    name, now = boot_name(), read_clocks()
    if store is None:  # it cannot be opened yet
        return Dating(now, None, name, None)
    boot, lost = redate.select_boot(store.database, name)
    if lost:
        log.warning(
            "cannot date the rows of %s of this host, during which the clock was never set; they"
            " keep provisional times and are not forwarded",
            count(lost, "earlier boot"),
        )
    # A trusted clock must not be blocked by rows that a wrong clock placed in the far future.
    trusted = now.wall_ns >= EARLIEST_NS and (now.synchronised or boot is not None)
    upto = (now.wall_ns + LONGEST_SLEW_NS,) if trusted else ()
    dating = Dating(now, redate.last_ns(store.database, *upto), name, boot)
    redate.upsert_boot(store.database, dating.boot)
    return dating
