"""Forwards stored rows to a server that takes InfluxDB line protocol.

The store is the outbox: a cursor for each table says what has been delivered and moves only after
the server has taken a batch, so a server that is down costs nothing but time. New rows go first;
what piled up meanwhile is a gap behind them that closes batch by batch, with a look for new rows
before each. A crash repeats deliveries of a few seconds, and a row sent twice lands on itself.

Points that stand for no row any more are deleted at the server, a batch between new rows and the
gap; a row at the same moment is delivered after that. A server that cannot delete keeps them, which
is told.

Rows that the server refuses are found by halving the batch and set aside, but only while it takes
other rows of the same table: if it refuses the newest as well, the rows are not to blame, and all
are kept until it takes them.
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
from typing import Any, NamedTuple

from logger.config.load import InfluxOptions
from logger.errors import StoreError
from logger.forward.answers import Refusal, RowFault, ServerError
from logger.forward.server import Server
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
from logger.utc import format_ns

log = logging.getLogger("mismatchd.forward")

LIVE_ROWS = 500  # of each table; more than that at once is a backlog
BATCH_ROWS = 5000
IDLE_S = 0.25
SAVE_S = 10.0  # cursors are written this often; each write wears the card
SHOWN_S = 5.0  # while waiting, the backlog shown is this old at most
YIELD_ROWS = 25  # a millisecond's work; the interpreter lock is then let go for so long, or else
YIELD_S = 0.0005  # each step of an alarm's way might wait 5 ms for it
LAST_S = 1.5  # for what is left when the daemon ends; the rest waits in the store
SUSPECT_ROWS = 20  # refused in a row: ask whether the server takes the table at all
RETRACTED = 100  # moments in a batch
KEPT_AT_ONCE = 100_000  # that a server which cannot delete keeps, and one line tells
REASONS = 20  # that are remembered, so as not to be logged again


class _Batch(NamedTuple):
    lines: list[str]
    places: list[tuple[int, int]]  # id and UTC nanoseconds of each

    @property
    def upto(self) -> int:
        return self.places[-1][0]

    def newest(self) -> str:
        """The line with the latest time."""
        times = [time_ns for _, time_ns in self.places]
        return self.lines[times.index(max(times))]


class _Lane:
    """What one table is at. `position` may be ahead of the stored one."""

    def __init__(self, table: Table, random: Random) -> None:
        self.table = table
        self.live = BatchSize(LIVE_ROWS)
        self.gap = BatchSize(BATCH_ROWS)
        self.position: OutboxPosition | None = None
        self.saved: OutboxPosition | None = None
        self.saved_s = -SAVE_S
        self.taken_ns: int | None = None
        self.refused_ids: list[int] = []  # since the server last took a row
        self.backoff = Backoff(random)
        self.shut_until_s: float | None = None


class InfluxForwarder:
    """One server. `run` works on a thread of its own with its own connection to the store."""

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
        self._fault: str | None = None  # the kind of what keeps all rows back
        self._last_error: tuple[str, int] | None = None  # and when
        self._logged: list[str] = []

    def status(self) -> dict[str, Any]:
        """What `mismatchd status` shows. `last_error` stays after it is over, `failing` does
        not."""
        text, time_ns = self._last_error or (None, None)
        return {
            "name": self.name,
            "url": self._server.target.url,
            "sent": self._sent,
            **self._totals.columns(),
            "failing": self._fault is not None
            or self._delete_s is not None
            or any(lane.shut_until_s is not None for lane in self._lanes),
            "last_error": text,
            "last_error_utc": None if time_ns is None else format_ns(time_ns),
        }

    def run(self, stop: threading.Event) -> None:
        """Deliver until `stop` is set, then what is left if the server takes it quickly. Waits
        longer the longer the server stays away."""
        wait_s = 0.0
        while not self._pause(stop, wait_s):
            try:
                delivered = self.step()
            except Exception as error:  # whatever it is, this thread must not end in silence
                wait_s = self._failed(error)
            else:
                self._works()
                wait_s = 0.0 if delivered else IDLE_S
        until_s = self._clock() + LAST_S
        with contextlib.suppress(ServerError, StoreError):
            while self._fault is None and self._clock() < until_s and self.step():
                pass
        self.close()

    def step(self) -> int:
        """Deliver the newest rows of each table, then one batch of what piled up; how many rows
        were delivered or set aside. Raises ServerError, StoreError."""
        outbox = self._opened()
        done = 0
        split = True
        while split:
            lanes = [lane for lane in self._lanes if self._open(outbox, lane)]
            done += sum(self._live(outbox, lane) for lane in lanes)
            done += self._retract(outbox)
            split = False
            for lane in lanes:
                settled = self._catch_up(outbox, lane)
                split = settled is None
                if settled != 0:
                    done += settled or 0
                    break
        self._count(outbox)
        return done

    def close(self) -> None:
        """Release the connections; may be called twice."""
        self._server.close()
        if self._outbox is not None:
            with contextlib.suppress(StoreError):
                for lane in self._lanes:
                    self._save(self._outbox, lane)
            self._outbox.close()
            self._outbox = None

    # what goes out

    def _live(self, outbox: Outbox, lane: _Lane) -> int:
        position = self._position(outbox, lane)
        after = outbox.newest_after(lane.table, position.live, lane.live.rows)
        batch = self._batch(outbox, lane, after, HIGHEST, lane.live.rows)
        if not batch.lines:
            if self._clock() - lane.saved_s >= SAVE_S:
                self._save(outbox, lane)
            return 0
        refusal = self._post(batch.lines, lane.live)
        if refusal is not None:
            # They are dealt with in their turn, so that they keep nothing new back.
            self._keep(outbox, lane, position.postponed(batch.upto))
            return 0
        self._took(lane)
        lane.position = position.took_live(after, batch.upto)
        if self._clock() - lane.saved_s >= SAVE_S:
            self._save(outbox, lane)
        return len(batch.lines)

    def _catch_up(self, outbox: Outbox, lane: _Lane) -> int | None:
        """Rows delivered or set aside, None if a batch is to be tried again in parts."""
        position = self._position(outbox, lane)
        if not position.gap:
            return 0
        size = lane.gap.rows
        batch = self._batch(outbox, lane, position.gap_after, position.gap_upto, size)
        upto = batch.upto if len(batch.lines) == size else position.gap_upto
        refusal = self._post(batch.lines, lane.gap) if batch.lines else None
        if refusal is None:
            if batch.lines:
                self._took(lane)
            refused = []
        elif refusal.fault is RowFault.TOO_OLD and self._all_too_old(batch):
            refused = self._refused(lane, batch, refusal)
        elif len(batch.lines) > 1:
            lane.gap.halve(len(batch.lines))
            return None
        elif self._refuses_table(outbox, lane, batch.upto, refusal.reason):
            return 0
        else:
            refused = self._refused(lane, batch, refusal)
        self._keep(outbox, lane, position.took_gap(upto), refused)
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
        return point(table, record, self._station)

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
            size.taken(len(lines), self._clock() - begun_s)
            self._sent += len(lines)
        elif refusal.fault is RowFault.TOO_MUCH:
            size.limit(len(lines))
        return refusal

    def _send(self, lines: list[str]) -> Refusal | None:
        return self._server.write(lines)

    # what is taken back

    def _retract(self, outbox: Outbox) -> int:
        """Delete points that stand for no row any more; how many. What goes wrong with it keeps
        no rows back."""
        if self._delete_s is not None and self._clock() < self._delete_s:
            return 0
        batch = outbox.retractions(self.name, RETRACTED)
        if batch.lost:
            log.warning(
                "%s: deletion queue overflowed; %d stale points remain",
                self.name,
                batch.lost,
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
        upto = batch.upto if deleted else self._keeps(outbox)
        outbox.retracted(self.name, upto)
        return sum(span.points for span in batch.spans)

    def _delete(self, spans: Sequence[Retracted]) -> bool:
        return self._server.delete(spans, self._station)

    def _keeps(self, outbox: Outbox) -> int:
        """Say what stays at a server that cannot delete; up to which retraction."""
        everything = outbox.retractions(self.name, KEPT_AT_ONCE)
        told = []
        for table in FORWARDED:
            spans = [span for span in everything.spans if span.table is table]
            if spans:
                count = sum(span.points for span in spans)
                since, until = format_ns(spans[0].since_ns), format_ns(spans[-1].until_ns)
                told.append(f"{count} of {table.measurement} ({since} to {until})")
        text = (
            f"{self._server.target.url} cannot delete points, so these of rows that are gone or"
            f" tagged anew stay there: {', '.join(told)}"
        )
        log.warning("%s: %s", self.name, text)
        self._last_error = text, self._utc_ns()
        return everything.upto

    # what is refused

    def _all_too_old(self, batch: _Batch) -> bool:
        """Whether no row is new enough for what the server keeps."""
        if len(batch.lines) == 1:
            return True
        refusal = self._send([batch.newest()])
        return refusal is not None and refusal.fault is RowFault.TOO_OLD

    def _refused(self, lane: _Lane, batch: _Batch, refusal: Refusal) -> list[RefusedRow]:
        """Say so once for each reason."""
        kind = re.sub(r"\d+", "#", refusal.reason)
        if kind not in self._logged:
            self._logged = [*self._logged[1 - REASONS :], kind]
            log.error(
                "%s refuses %d row(s) of %s, set aside and named by `mismatchd status`: %s: %.300s",
                self.name,
                len(batch.lines),
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
        """Whether the server takes no row of this table, after one more was refused; then nothing
        is set aside, and the table waits while others go on."""
        if len(lane.refused_ids) < SUSPECT_ROWS - 1:
            lane.refused_ids.append(row_id)
            return False
        newest = outbox.newest(lane.table)
        if newest is not None and self._send([self._line(lane.table, newest)]) is not None:
            outbox.put_back(self.name, lane.table, lane.refused_ids)
            lane.refused_ids.clear()
            self._totals = outbox.totals(self.name)
            self._shut(lane, reason)
            return True
        lane.refused_ids.clear()
        return False

    def _shut(self, lane: _Lane, reason: str) -> None:
        table, url = lane.table, self._server.target.url
        text = (
            f"{url} refuses every row of {table.name} ({reason}): see its limits and what it holds"
            f" as measurement {table.measurement}"
        )
        self._note(text, new=lane.shut_until_s is None)
        lane.shut_until_s = self._clock() + lane.backoff.next_s()

    def _open(self, outbox: Outbox, lane: _Lane) -> bool:
        """Whether the table's turn has come: if all of it was refused, ask with its newest row."""
        if lane.shut_until_s is None:
            return True
        if self._clock() < lane.shut_until_s:
            return False
        newest = outbox.newest(lane.table)
        refusal = None if newest is None else self._send([self._line(lane.table, newest)])
        if refusal is not None:
            self._shut(lane, refusal.reason)
            return False
        lane.shut_until_s = None
        lane.backoff.reset()
        log.info("%s: rows of %s are taken again", self.name, lane.table.name)
        return True

    # cursors

    def _opened(self) -> Outbox:
        if self._outbox is not None and self._outbox.replaced:
            self._forget()
        if self._outbox is None:
            outbox = Outbox.reader(self._path)
            try:
                outbox.begin(self.name)
            except BaseException:
                outbox.close()
                raise
            self._outbox = outbox
            self._totals = outbox.totals(self.name)
        return self._outbox

    def _position(self, outbox: Outbox, lane: _Lane) -> OutboxPosition:
        """Where this lane is; back to the stored position when rows behind it were rewritten."""
        stored = outbox.position(self.name, lane.table)
        if lane.position is None or lane.position.rewrites != stored.rewrites:
            lane.position = lane.saved = stored
        return lane.position

    def _took(self, lane: _Lane) -> None:
        lane.taken_ns = self._utc_ns()
        lane.refused_ids.clear()

    def _keep(
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
        if outbox.save(self.name, lane.table, lane.position, lane.taken_ns, refused):
            lane.saved = lane.position
            lane.saved_s = self._clock()
            if refused:
                self._totals = outbox.totals(self.name)
        else:
            lane.position = None

    def _count(self, outbox: Outbox) -> None:
        waiting = [outbox.waiting(lane.table, self._position(outbox, lane)) for lane in self._lanes]
        times_ns = [self._totals.taken_ns, *(lane.taken_ns for lane in self._lanes)]
        taken_ns = max((time_ns for time_ns in times_ns if time_ns is not None), default=None)
        backlog = sum(waiting) + outbox.retractions_waiting(self.name)
        self._totals = self._totals._replace(backlog=backlog, taken_ns=taken_ns)

    # what is told

    def _pause(self, stop: threading.Event, wait_s: float) -> bool:
        """Wait, and keep the count of what waits fresh meanwhile; whether to stop."""
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
        """Say so if it is new; how long to wait."""
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

    def _works(self) -> None:
        self._backoff.reset()
        if self._fault is not None:
            self._fault = None
            log.info("%s accepts rows again, %d to go", self.name, self._totals.backlog)

    def _note(self, text: str, *, new: bool) -> None:
        if new:
            log.warning("%s: %s; rows wait in the store", self.name, text)
        self._last_error = text, self._utc_ns()

    def _forget(self) -> None:
        """Begin afresh with the store, whatever has become of it."""
        if self._outbox is not None:
            self._outbox.close()
            self._outbox = None
        for lane in self._lanes:
            lane.position = None


def forwarders(
    store: Path, servers: Sequence[InfluxOptions], station: str, environ: Mapping[str, str]
) -> list[InfluxForwarder]:
    """One for each server. The first without a name goes on from where the only one of a store of
    version 1 had got. Raises StoreError."""
    unnamed = [options.title for options in servers if options.name is None]
    if unnamed and all(options.name != VERSION_1_NAME for options in servers):
        with contextlib.closing(Outbox.reader(store)) as outbox:
            if outbox.adopt(unnamed[0]):
                log.info("%s continues where an older version stopped", unnamed[0])
    return [InfluxForwarder(store, options, station, environ) for options in servers]
