"""Forwards stored rows to a server that accepts InfluxDB line protocol.

The store is the outbox: a cursor for each table marks the delivered rows and moves only after the
server has accepted a batch, so an unreachable server only causes delay. New rows go first; the
backlog is a gap behind them that closes batch by batch, with a check for new rows before each. A
crash repeats the deliveries of a few seconds, and a row sent twice overwrites itself.

Points whose rows no longer exist are deleted at the server, a batch between new rows and the gap; a
row at the same moment is delivered after that. A server that cannot delete keeps them, which is
logged.

Rows that the server refuses are isolated by halving the batch and set aside, but only while it
accepts other rows of the same table: if it refuses the newest as well, the rows are not the cause,
and all are kept until it accepts them.
"""

from __future__ import annotations

import contextlib
import logging
import re
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from random import Random
from typing import NamedTuple

from msgspec.structs import replace

from logger.config.load import InfluxOptions
from logger.errors import StoreError
from logger.forward.answers import Refusal, RowFault, ServerError
from logger.forward.server import Server
from logger.live.status import ForwarderStatus
from logger.outlets.pacing import Backoff, BatchSize
from logger.store.line_protocol import point
from logger.store.outbox import (
    HIGHEST,
    VERSION_1_NAME,
    ForwarderTotals,
    Outbox,
    OutboxPosition,
    RefusedRow,
    Retracted,
)
from logger.store.tables import FORWARDED, Record, Table
from logger.utc import format_ns, format_optional
from logger.wording import count

log = logging.getLogger("mismatchd.forward")

LIVE_ROWS = 500  # per table; more than that at once is a backlog
BATCH_ROWS = 5000
IDLE_S = 0.25
GROWING = ("seconds", "health")  # tables that grow all the time: their cursors are written
SAVE_S = 10.0  # at this interval, since it wears the card
READS = 3  # of new rows, while others are rewritten
SHOWN_S = 5.0  # while waiting, the displayed backlog is at most this old
YIELD_ROWS = 25  # about 1 ms of work; the interpreter lock is then released for YIELD_S, because
YIELD_S = 0.0005  # otherwise each step of an alarm's delivery might wait 5 ms for it
LAST_S = 1.5  # time for the rest at shutdown; after that it waits in the store
SUSPECT_ROWS = 20  # after this many refusals in a row, test whether the table is accepted at all
RETRACTED = 100  # moments per batch
STALE_AT_ONCE = 100_000  # retractions reported in one line for a server that cannot delete
REASONS = 20  # reasons remembered, so that they are logged once


class _Batch(NamedTuple):
    lines: list[str]
    places: list[tuple[int, int]]  # id and UTC nanoseconds of each

    @property
    def upto(self) -> int:
        return self.places[-1][0]

    def newest(self) -> str:
        """Return the line with the latest time."""
        times = [time_ns for _, time_ns in self.places]
        return self.lines[times.index(max(times))]


class _Lane:
    """Delivery state of one table. `position` may be ahead of the stored one."""

    def __init__(self, table: Table, random: Random) -> None:
        self.table = table
        self.live = BatchSize(LIVE_ROWS)
        self.gap = BatchSize(BATCH_ROWS)
        self.position: OutboxPosition | None = None
        self.saved: OutboxPosition | None = None
        self.saved_s = -SAVE_S
        self.taken_ns: int | None = None
        self.refused_ids: list[int] = []  # since the server last accepted a row
        self.backoff = Backoff(random)
        self.paused_until_s: float | None = None


class InfluxForwarder:
    """One server. `run` works on its own thread with its own connection to the store."""

    def __init__(
        self,
        store: Path,
        options: InfluxOptions,
        station: str,
        environ: Mapping[str, str],
        *,
        random: Random | None = None,
        clock: Callable[[], float] = time.monotonic,
        utc_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        random = random or Random()
        self.name = options.title
        self._path = store
        self._station = station
        self._station_id = ""
        self._unmarked: dict[str, int] = {}
        self._server = Server(options, environ)
        self._clock = clock
        self._utc_ns = utc_ns
        self._outbox: Outbox | None = None
        self._lanes = [_Lane(table, random) for table in FORWARDED]
        self._backoff = Backoff(random)
        self._delete_backoff = Backoff(random)
        self._delete_s: float | None = None  # when to try again to delete points
        self._sent = 0
        self._totals = ForwarderTotals(0, 0, [], None)
        self._fault: str | None = None  # the kind of fault that blocks all rows
        self._last_error: tuple[str, int] | None = None  # and its time
        self._logged: list[str] = []
        self._sending_ns: int | None = None  # begin of the request in progress

    def status(self) -> ForwarderStatus:
        """Return the state; only `last_error` outlasts a recovery."""
        text, time_ns = self._last_error or (None, None)
        return replace(
            ForwarderStatus.of_totals(self.name, self._totals),
            url=self._server.target.url,
            sent=self._sent,
            failing=self._fault is not None
            or self._delete_s is not None
            or any(lane.paused_until_s is not None for lane in self._lanes),
            last_error=text,
            last_error_utc=format_optional(time_ns),
            delivering_since_utc=format_optional(self._sending_ns),
        )

    def run(self, stop: threading.Event) -> None:
        """Deliver until `stop` is set, then the rest if the server accepts it quickly.

        Waits become longer the longer the server is unavailable.
        """
        wait_s = 0.0
        while not self._pause(stop, wait_s):
            try:
                delivered = self.step()
            except Exception as error:  # no exception may end this thread silently
                wait_s = self._failed(error)
            else:
                self._note_success()
                wait_s = 0.0 if delivered else IDLE_S
        until_s = self._clock() + LAST_S
        with contextlib.suppress(ServerError, StoreError):
            while self._fault is None and self._clock() < until_s and self.step():
                pass
        self.close()

    def step(self) -> int:
        """Deliver the newest rows of each table, then one batch of the backlog.

        Return the number of rows delivered or set aside. Raise ServerError, StoreError.
        """
        outbox = self._ensure_open()
        delivered = 0
        split = True
        while split:
            lanes = [lane for lane in self._lanes if self._accepts(outbox, lane)]
            delivered += sum(self._live(outbox, lane) for lane in lanes)
            delivered += self._retract(outbox)
            split = False
            for lane in lanes:
                settled = self._catch_up(outbox, lane)
                split = settled is None
                if settled != 0:
                    delivered += settled or 0
                    break
        self._count(outbox)
        return delivered

    def close(self) -> None:
        """Release the connections; may be called twice."""
        self._server.close()
        if self._outbox is not None:
            with contextlib.suppress(StoreError):
                for lane in self._lanes:
                    self._save(self._outbox, lane)
            self._outbox.close()
            self._outbox = None

    # Delivering.

    def _live(self, outbox: Outbox, lane: _Lane) -> int:
        for _ in range(READS):
            position = self._position(outbox, lane)
            after = outbox.newest_after(lane.table, position.live, lane.live.rows)
            batch = self._batch(outbox, lane, after, HIGHEST, lane.live.rows)
            # A row that ended meanwhile would otherwise count as rewritten after it was read.
            if not batch.lines or position.rewrites == self._rewrites(outbox, lane):
                break
        if batch.lines:
            if self._post(batch.lines, lane.live) is not None:
                # They are handled with the gap, so that they do not delay new rows.
                self._move(outbox, lane, position.postponed(batch.upto))
                return 0
            self._note_accepted(lane)
            lane.position = position.took_live(after, batch.upto)
        is_rare = lane.table.name not in GROWING
        if (batch.lines and is_rare) or self._clock() - lane.saved_s >= SAVE_S:
            self._save(outbox, lane)
        return len(batch.lines)

    def _catch_up(self, outbox: Outbox, lane: _Lane) -> int | None:
        """Deliver a batch of the gap.

        Return the number of rows delivered or set aside, None if the batch is to be retried in
        parts.
        """
        position = self._position(outbox, lane)
        if not position.gap:
            return 0
        size = lane.gap.rows
        batch = self._batch(outbox, lane, position.gap_after, position.gap_upto, size)
        upto = batch.upto if len(batch.lines) == size else position.gap_upto
        refusal = self._post(batch.lines, lane.gap) if batch.lines else None
        if refusal is None:
            if batch.lines:
                self._note_accepted(lane)
            refused = []
        elif refusal.fault is RowFault.TOO_OLD and self._all_too_old(batch):
            refused = self._set_aside(lane, batch, refusal)
        elif len(batch.lines) > 1:
            lane.gap.halve(len(batch.lines))
            return None
        elif self._refuses_table(outbox, lane, batch.upto, refusal.reason):
            return 0
        else:
            refused = self._set_aside(lane, batch, refusal)
        self._move(outbox, lane, position.took_gap(upto), refused)
        return len(batch.lines) or None

    def _batch(self, outbox: Outbox, lane: _Lane, after: int, upto: int, most: int) -> _Batch:
        batch = _Batch([], [])
        for record in outbox.records_between(lane.table, after, upto, most):
            batch.lines.append(self._line(lane.table, record))
            batch.places.append((record.id, record.time_ns))
            if len(batch.lines) % YIELD_ROWS == 0:
                time.sleep(YIELD_S)
        return batch

    def _line(self, table: Table, record: Record) -> str:
        is_marked = record.time_ns > self._unmarked[table.name]
        return point(table, record, self._station, self._station_id if is_marked else "")

    def _post(self, lines: list[str], size: BatchSize) -> Refusal | None:
        begun_s = self._clock()
        try:
            refusal = self._send(lines)
        except ServerError as error:
            if error.lost:
                size.halve(len(lines))
            raise
        if refusal is None:
            self._backoff.reset()
            size.adapt(len(lines), self._clock() - begun_s)
            self._sent += len(lines)
        elif refusal.fault is RowFault.TOO_MUCH:
            size.limit(len(lines))
        return refusal

    def _send(self, lines: list[str]) -> Refusal | None:
        self._sending_ns = self._utc_ns()
        try:
            return self._server.write(lines)
        finally:
            self._sending_ns = None

    # Deleting.

    def _retract(self, outbox: Outbox) -> int:
        """Delete points of deleted rows; return how many. Failures do not delay any rows."""
        if self._delete_s is not None and self._clock() < self._delete_s:
            return 0
        batch = outbox.retractions(self.name, RETRACTED)
        if batch.lost:
            log.warning(
                "%s: deletion queue overflowed; %s left on the server",
                self.name,
                count(batch.lost, "stale point"),
            )
        if not batch.spans:
            return 0
        try:
            deleted = self._delete(batch.spans)
        except ServerError as error:
            self._note(str(error), new=self._delete_s is None)
            self._delete_s = self._clock() + self._delete_backoff.next_s(error.retry_after_s)
            return 0
        self._delete_s = None
        self._delete_backoff.reset()
        upto = batch.upto if deleted else self._report_stale_points(outbox)
        outbox.retracted(self.name, upto)
        return sum(span.points for span in batch.spans)

    def _delete(self, spans: Sequence[Retracted]) -> bool:
        return self._server.delete(spans, self._station, self._station_id)

    def _report_stale_points(self, outbox: Outbox) -> int:
        """Log the points left at a server that cannot delete; return the last retraction's id."""
        waiting = outbox.retractions(self.name, STALE_AT_ONCE)
        counts = []
        for table in FORWARDED:
            spans = [span for span in waiting.spans if span.table is table]
            if spans:
                points = sum(span.points for span in spans)
                since, until = format_ns(spans[0].since_ns), format_ns(spans[-1].until_ns)
                counts.append(f"{points} of {table.measurement} ({since} to {until})")
        text = (
            f"{self._server.target.url} cannot delete points; points of deleted or retagged rows"
            f" remain there: {', '.join(counts)}"
        )
        log.warning("%s: %s", self.name, text)
        self._last_error = text, self._utc_ns()
        return waiting.upto

    # Refusals.

    def _all_too_old(self, batch: _Batch) -> bool:
        """True if no row is new enough for the server's retention."""
        if len(batch.lines) == 1:
            return True
        refusal = self._send([batch.newest()])
        return refusal is not None and refusal.fault is RowFault.TOO_OLD

    def _set_aside(self, lane: _Lane, batch: _Batch, refusal: Refusal) -> list[RefusedRow]:
        """Return the refused rows; log each reason once."""
        kind = re.sub(r"\d+", "#", refusal.reason)
        if kind not in self._logged:
            self._logged = [*self._logged[1 - REASONS :], kind]
            log.error(
                "%s refuses %s of %s; set aside, see `mismatchd status`: %s: %.300s",
                self.name,
                count(len(batch.lines), "row"),
                lane.table.name,
                refusal.reason,
                batch.lines[0],
            )
        now_ns = self._utc_ns()
        return [
            RefusedRow(lane.table.name, row_id, row_ns, now_ns, refusal.reason)
            for row_id, row_ns in batch.places
        ]

    def _refuses_table(self, outbox: Outbox, lane: _Lane, row_id: int, reason: str) -> bool:
        """Return True if the server accepts no row of this table, after one more was refused.

        Then nothing is set aside, and the table waits while others continue.
        """
        if len(lane.refused_ids) < SUSPECT_ROWS - 1:
            lane.refused_ids.append(row_id)
            return False
        newest = outbox.newest(lane.table)
        if newest is not None and self._send([self._line(lane.table, newest)]) is not None:
            outbox.put_back(self.name, lane.table, lane.refused_ids)
            lane.refused_ids.clear()
            self._totals = outbox.totals(self.name)
            self._pause_table(lane, reason)
            return True
        lane.refused_ids.clear()
        return False

    def _pause_table(self, lane: _Lane, reason: str) -> None:
        table, url = lane.table, self._server.target.url
        text = (
            f"{url} refuses every row of {table.name} ({reason}): check its limits and the field"
            f" types of its measurement {table.measurement}"
        )
        self._note(text, new=lane.paused_until_s is None)
        lane.paused_until_s = self._clock() + lane.backoff.next_s()

    def _accepts(self, outbox: Outbox, lane: _Lane) -> bool:
        """True if the table may be delivered; if it was paused, test with its newest row."""
        if lane.paused_until_s is None:
            return True
        if self._clock() < lane.paused_until_s:
            return False
        newest = outbox.newest(lane.table)
        refusal = None if newest is None else self._send([self._line(lane.table, newest)])
        if refusal is not None:
            self._pause_table(lane, refusal.reason)
            return False
        lane.paused_until_s = None
        lane.backoff.reset()
        log.info("%s: rows of %s are accepted again", self.name, lane.table.name)
        return True

    # Cursors.

    def _ensure_open(self) -> Outbox:
        if self._outbox is not None and self._outbox.database.replaced:
            self._forget()
        if self._outbox is None:
            outbox = Outbox.editor(self._path)
            try:
                outbox.begin(self.name)
                self._station_id = outbox.station_id()
                self._unmarked = outbox.unmarked(self.name)
            except BaseException:
                outbox.close()
                raise
            self._outbox = outbox
            self._totals = outbox.totals(self.name)
        return self._outbox

    def _position(self, outbox: Outbox, lane: _Lane) -> OutboxPosition:
        """Return the lane's position, which includes the rows behind it rewritten since."""
        stored = outbox.position(self.name, lane.table)
        if lane.position is None or lane.position.rewrites != stored.rewrites:
            lane.position = (lane.position or stored).followed(stored)
            if lane.position != stored:
                self._save(outbox, lane)  # else these rows would count as rewritten later, too
        return lane.position or stored

    def _rewrites(self, outbox: Outbox, lane: _Lane) -> int:
        return outbox.position(self.name, lane.table).rewrites

    def _note_accepted(self, lane: _Lane) -> None:
        lane.taken_ns = self._utc_ns()
        lane.refused_ids.clear()

    def _move(
        self,
        outbox: Outbox,
        lane: _Lane,
        position: OutboxPosition,
        refused: Sequence[RefusedRow] = (),
    ) -> None:
        lane.position = position
        self._save(outbox, lane, refused)

    def _save(self, outbox: Outbox, lane: _Lane, refused: Sequence[RefusedRow] = ()) -> None:
        if lane.position is None or (lane.position == lane.saved and not refused):
            return
        while not outbox.save(self.name, lane.table, lane.position, lane.taken_ns, refused):
            stored = outbox.position(self.name, lane.table)
            if stored.rewrites == lane.position.rewrites:  # there is no position any more
                lane.position = None
                return
            lane.position = lane.position.followed(stored)
        lane.saved = lane.position
        lane.saved_s = self._clock()
        if refused:
            self._totals = outbox.totals(self.name)

    def _count(self, outbox: Outbox) -> None:
        waiting = [outbox.waiting(lane.table, self._position(outbox, lane)) for lane in self._lanes]
        times_ns = [self._totals.taken_ns, *(lane.taken_ns for lane in self._lanes)]
        taken_ns = max((time_ns for time_ns in times_ns if time_ns is not None), default=None)
        backlog = sum(waiting) + outbox.retractions_waiting(self.name)
        self._totals = self._totals._replace(backlog=backlog, taken_ns=taken_ns)

    # Status and errors.

    def _pause(self, stop: threading.Event, wait_s: float) -> bool:
        """Wait while keeping the backlog count fresh; return True if the thread is to stop."""
        until_s = self._clock() + wait_s
        while not stop.wait(min(SHOWN_S, max(0.0, until_s - self._clock()))):
            if self._clock() >= until_s:
                return False
            self._recount()
        return True

    def _recount(self) -> None:
        with contextlib.suppress(StoreError):
            if self._outbox is not None:
                self._count(self._outbox)

    def _failed(self, error: Exception) -> float:
        """Log a new error; return the delay before the next attempt."""
        at_least_s, text = 0.0, str(error)
        if isinstance(error, ServerError):
            fault, at_least_s = error.kind, error.retry_after_s
            self._recount()
        else:
            fault = "store"
            if not isinstance(error, StoreError):
                fault, text = "internal", f"forwarding failed: {error!r}"
            self._forget()
        self._note(text, new=fault != self._fault)
        self._fault = fault
        return self._backoff.next_s(at_least_s)

    def _note_success(self) -> None:
        self._backoff.reset()
        if self._fault is not None:
            self._fault = None
            log.info("%s accepts rows again, backlog %d", self.name, self._totals.backlog)

    def _note(self, text: str, *, new: bool) -> None:
        if new:
            log.warning("%s: %s; rows wait in the store", self.name, text)
        self._last_error = text, self._utc_ns()

    def _forget(self) -> None:
        """Discard all state derived from the store."""
        if self._outbox is not None:
            self._outbox.close()
            self._outbox = None
        for lane in self._lanes:
            lane.position = None


def build_forwarders(
    store: Path, servers: Sequence[InfluxOptions], station: str, environ: Mapping[str, str]
) -> list[InfluxForwarder]:
    """Make a forwarder for each server.

    The first one without a name continues from the position of the only forwarder of a version 1
    store. Raise StoreError.
    """
    unnamed = [options.title for options in servers if options.name is None]
    if unnamed and all(options.name != VERSION_1_NAME for options in servers):
        with Outbox.editor(store) as outbox:
            if outbox.adopt(unnamed[0]):
                log.info("%s continues where an older version stopped", unnamed[0])
    return [InfluxForwarder(store, options, station, environ) for options in servers]
