"""Whatever happens in whatever order, the store holds what a simple model of it holds.

Longer, with other seeds: python -m tests.bench.machine
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack, closing
from pathlib import Path
from urllib.parse import urlsplit

import msgspec
import numpy as np
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from drivers.contract import SampleBlock
from logger.forward.influx import InfluxForwarder
from logger.rows import AlarmEvent, AlarmKind, Boot, ClockChange, Memory, Row, Samples, Shift, Trust
from logger.service.keeper import Keeper
from logger.service.reporter import Reporter
from logger.service.retention import Retention
from logger.store.alarms import Alarms
from logger.store.journal import Journal
from logger.store.reader import Store
from logger.store.tables import FORWARDED, Event
from logger.store.writer import StoreWriter
from logger.utc import format_ns, parse_time
from tests.line_server import TAKEN, Reply, line_server
from tests.test_forwarder import drain, options
from tests.test_store import SECOND, T0, alarm, second, transmission

pytestmark = pytest.mark.realtime

EVER_NS = 1 << 62
BOOT_NS = 100 * SECOND  # rows of a clock that was not set begin here
MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
KINDS = st.sampled_from([AlarmKind.HIGH_SWR, AlarmKind.SUDDEN_CHANGE])
NOT_DELETED = ("alarm", "fault")  # tables of changes: their points stay


class Server:
    """Points as an InfluxDB server keeps them, by measurement, tags and time."""

    def __init__(self) -> None:
        self.points: set[tuple[str, str, int]] = set()

    def write(self, lines: list[str]) -> Reply:
        """Take lines."""
        for text in lines:
            head, _, time_ns = text.rpartition(" ")
            measurement, _, tags = head.partition(" ")[0].partition(",")
            self.points.add((measurement, tags, int(time_ns)))
        return TAKEN

    def delete(self, path: str, body: bytes) -> Reply:
        """Delete the points of a measurement in a span of time."""
        if urlsplit(path).path != "/api/v2/delete":
            return Reply(404)
        wanted = msgspec.json.decode(body)
        since_ns, until_ns = (parse_time(wanted[key], 0) for key in ("start", "stop"))
        self.points = {
            (measurement, tags, time_ns)
            for measurement, tags, time_ns in self.points
            if f'_measurement="{measurement}"' not in wanted["predicate"]
            or not since_ns <= time_ns <= until_ns
        }
        return TAKEN


class Model:
    """What a store holds, in plain sets."""

    def __init__(self) -> None:
        self.transmissions: set[int] = set()
        self.seconds: set[int] = set()
        self.pairs: set[int] = set()
        self.changes: set[tuple[str, str, int]] = set()  # of alarms
        self.open: dict[str, int] = {}
        self.memory: bytes | None = None

    def shift(self, since_ns: int, by_ns: int) -> None:
        """Move all times from `since_ns` on."""

        def moved(time_ns: int) -> int:
            return time_ns + by_ns * (time_ns >= since_ns)

        self.transmissions = {*map(moved, self.transmissions)}
        self.seconds = {*map(moved, self.seconds)}
        self.pairs = {*map(moved, self.pairs)}
        self.changes = {(kind, change, moved(at_ns)) for kind, change, at_ns in self.changes}
        self.open = {kind: moved(at_ns) for kind, at_ns in self.open.items()}


class StoreMachine(RuleBasedStateMachine):
    """A keeper and a forwarder over a store, beside a model."""

    def __init__(self) -> None:
        super().__init__()
        self._stack = ExitStack()
        folder = tempfile.TemporaryDirectory(dir=MEMORY)
        self.path = Path(self._stack.enter_context(folder)) / "data/station.sqlite"
        self.server = Server()
        front = self._stack.enter_context(line_server())
        front.rule, front.others = self.server.write, self.server.delete
        front.keep = False
        self.url = front.url
        self.model = Model()
        self.pending: list[Callable[[Model], object]] = []
        self.open: dict[str, int] = {}  # alarms, as the capture loop knows them
        self.told: Counter[tuple[str, str, str | None]] = Counter()
        self.journal: dict[int, str] = {}
        self.acknowledged = 0
        self.now_s, self.at_ns = 0.0, BOOT_NS
        self.since_ns: int | None = BOOT_NS  # of rows whose clock was not set
        self.lock: sqlite3.Connection | None = None

    @initialize()
    def start(self) -> None:
        """Start the daemon."""

        def open_store(is_damaged: bool) -> StoreWriter:
            store = (StoreWriter.salvage if is_damaged else StoreWriter.open)(self.path)
            store.insert_calibration("abc", "{}")
            return store

        self.keeper = Keeper(open_store, Reporter(self._tell), Retention(EVER_NS))
        assert self.keeper.failure is None
        assert {*self.keeper.open_kinds} == self.model.open.keys()
        self.open = dict(self.model.open)

    def _tell(self, event: Event) -> None:
        if isinstance(event, AlarmEvent):
            self.told[event.key] += 1

    def _add(self, *rows: Row, then: Callable[[Model], object]) -> None:
        self.keeper.add([*rows], self.now_s)
        self.pending.append(then)

    # What the station does.

    @rule(seconds=st.integers(1, 3))
    def transmit(self, seconds: int) -> None:
        """End a transmission."""
        self.at_ns += 10 * SECOND
        start_ns = self.at_ns
        times = start_ns + SECOND * np.arange(seconds)
        block = SampleBlock(times, np.full(seconds, 1.0), np.full(seconds, 0.1))

        def then(model: Model) -> None:
            model.transmissions.add(start_ns)
            model.seconds |= {*times.tolist()}
            model.pairs |= {*times.tolist()}

        rows = [transmission(start_ns), *(second(int(at), start_ns) for at in times)]
        self._add(*rows, Samples(block), then=then)

    @rule(kind=KINDS)
    def raise_or_clear(self, kind: AlarmKind) -> None:
        """Raise an alarm, or clear it."""
        self.at_ns += SECOND
        change = "cleared" if kind in self.open else "raised"
        at_ns = self.at_ns

        def then(model: Model) -> None:
            model.changes.add((kind, change, at_ns))
            if change == "raised":
                model.open[kind] = at_ns
            else:
                del model.open[kind]

        if change == "raised":
            self.open[kind] = at_ns
        else:
            del self.open[kind]
        self._add(alarm(change, at_ns, kind, start_ns=None), then=then)

    @rule(content=st.binary(max_size=4))
    def learn(self, content: bytes) -> None:
        """Store the memory of a rule."""
        self._add(Memory("rule", content), then=lambda model: setattr(model, "memory", content))

    @precondition(lambda self: self.since_ns is not None)
    @rule()
    def set_clock(self) -> None:
        """Set the clock for the first time: rows are moved."""
        since_ns, by_ns = self.since_ns, T0
        assert since_ns is not None
        boot = Boot("boot", Trust.FOLLOWED, 0, since_ns + by_ns, by_ns)
        shift = Shift(since_ns, EVER_NS // 2, by_ns)
        self._add(ClockChange(boot, shift), then=lambda model: model.shift(since_ns, by_ns))
        self.at_ns += by_ns
        self.open = {kind: at_ns + by_ns for kind, at_ns in self.open.items()}
        self.since_ns = None

    # What the store goes through.

    @rule(ending=st.booleans())
    def commit(self, ending: bool) -> None:
        """Let a commit be due; another program may hold the lock."""
        self.now_s += 20.0
        if self.lock is not None and self.keeper.store is not None:
            self.keeper.store.database.wait_for_locks(0)
        committed = self.keeper.commit_due(self.now_s, ending=ending and self.lock is None)
        if self.lock is not None:
            assert not committed
            return
        assert self.keeper.failure is None
        for then in self.pending:
            then(self.model)
        self.pending.clear()

    @rule()
    def crash(self) -> None:
        """Kill the daemon: rows that were not committed are lost; it is started again."""
        self.release()
        self.keeper.close()
        self.pending.clear()
        self.start()

    @rule()
    def crash_of_the_system(self) -> None:
        """The same with the files as they are at that moment, with a log."""
        self.release()
        copy = self.path.parent.with_name("copy")
        shutil.copytree(self.path.parent, copy)
        self.keeper.close()
        shutil.rmtree(self.path.parent)
        copy.rename(self.path.parent)
        self.path.with_name(self.path.name + "-shm").unlink(missing_ok=True)
        self.pending.clear()
        self.start()

    @precondition(lambda self: self.lock is None)
    @rule()
    def salvage(self) -> None:
        """Salvage a store, of which everything can be read."""
        self.commit(ending=False)
        self.keeper.close()
        StoreWriter.salvage(self.path, skips_unreadable=True).close()
        self.start()

    @precondition(lambda self: self.lock is None)
    @rule(folder=st.booleans())
    def delete(self, folder: bool) -> None:
        """Delete the store under the daemon, which puts it back with the next commit."""
        if folder:
            shutil.rmtree(self.path.parent)
        else:
            self.path.unlink()
        self.commit(ending=False)

    @precondition(lambda self: self.lock is None)
    @rule()
    def take_lock(self) -> None:
        """Let another program hold the lock."""
        self.lock = sqlite3.connect(self.path, isolation_level=None)
        self.lock.execute("BEGIN IMMEDIATE")

    @precondition(lambda self: self.lock is not None)
    @rule()
    def release(self) -> None:
        """Let it go."""
        if self.lock is not None:
            self.lock.close()
            self.lock = None

    # What people do beside the daemon.

    @precondition(lambda self: self.lock is None)
    @rule()
    def acknowledge(self) -> None:
        """Acknowledge the newest alarm that is not."""
        with Alarms.editor(self.path) as alarms:
            newest = "SELECT max(id) FROM alarms WHERE acknowledged_ns IS NULL"
            alarm_id = alarms.database.query_value(newest)
            if alarm_id is not None:
                alarms.acknowledge(alarm_id, self.at_ns)
                self.acknowledged += 1

    @precondition(lambda self: self.lock is None)
    @rule(text=st.sampled_from(["plug", "mast"]), deletes=st.booleans())
    def work(self, text: str, deletes: bool) -> None:
        """Record work, or delete the first record."""
        with Journal.editor(self.path) as journal:
            if deletes and self.journal:
                entry_id = min(self.journal)
                assert journal.delete(entry_id)
                del self.journal[entry_id]
            else:
                self.journal[journal.insert(self.at_ns, "repair", text)] = text

    @precondition(lambda self: self.lock is None)
    @rule()
    def derive_again(self) -> None:
        """Delete the newest stored transmission, as if nothing were derived from its pairs."""
        if not self.model.transmissions:
            return
        start_ns = max(self.model.transmissions)
        seconds = {at for at in self.model.seconds if start_ns <= at < start_ns + 10 * SECOND}
        with closing(sqlite3.connect(self.path, isolation_level=None)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            values = (start_ns, start_ns + 10 * SECOND)
            connection.execute("DELETE FROM seconds WHERE time_ns >= ? AND time_ns < ?", values)
            connection.execute("DELETE FROM transmissions WHERE start_ns = ?", values[:1])
            connection.execute("COMMIT")
        self.model.transmissions.remove(start_ns)
        self.model.seconds -= seconds

    @precondition(lambda self: self.lock is None)
    @rule()
    def forward(self) -> None:
        """Deliver everything; the server then has the rows of the store, and no others."""
        with closing(InfluxForwarder(self.path, options(self.url), "here", {})) as forwarder:
            drain(forwarder)
            assert not forwarder.status().failing
        with Store.reader(self.path) as store:
            for table in FORWARDED:
                measurement = table.measurement or ""
                rows = {record.time_ns for record in store.records(table, -EVER_NS, EVER_NS)}
                points = {time_ns for name, _, time_ns in self.server.points if name == measurement}
                if self.since_ns is None:  # until then, times are provisional
                    assert rows <= points, table.name
                if measurement not in NOT_DELETED:
                    assert points <= rows, table.name

    # What holds at any time.

    @invariant()
    def holds(self) -> None:
        """The store holds what the model holds."""
        if not self.path.exists():
            return
        model = self.model
        with closing(sqlite3.connect(f"{self.path.as_uri()}?mode=ro", uri=True)) as connection:

            def column(statement: str) -> list[object]:
                return [row[0] for row in connection.execute(statement)]

            assert sorted(model.transmissions) == column(
                "SELECT start_ns FROM transmissions ORDER BY 1"
            )
            assert sorted(model.seconds) == column("SELECT time_ns FROM seconds ORDER BY 1")
            changes = connection.execute(
                "SELECT a.kind, c.change, c.time_ns FROM alarm_changes AS c JOIN alarms AS a"
                " ON a.id = c.alarm_id WHERE c.change != 'acknowledged'"
            ).fetchall()
            assert sorted(changes) == sorted(model.changes)
            still_open = "SELECT kind, raised_ns FROM alarms WHERE cleared_ns IS NULL"
            assert dict(connection.execute(still_open).fetchall()) == model.open
            memory = column("SELECT content FROM memories WHERE rule = 'rule'")
            assert memory == ([] if model.memory is None else [model.memory])
            assert len(column("SELECT id FROM alarms WHERE acknowledged_ns IS NOT NULL")) == (
                self.acknowledged
            )
            assert dict(connection.execute("SELECT id, text FROM journal")) == self.journal
            assert connection.execute("PRAGMA foreign_key_check").fetchall() == []

    @invariant()
    def tells(self) -> None:
        """Each stored change was told, none twice."""
        assert max(self.told.values(), default=0) <= 1
        if self.since_ns == BOOT_NS:
            for kind, change, at_ns in self.model.changes:
                assert self.told[kind, change, format_ns(at_ns)]

    def teardown(self) -> None:
        """Check the file as a whole, and the pairs."""
        self.release()
        self.keeper.close()
        with Store.reader(self.path) as store:
            assert store.database.query_value("PRAGMA integrity_check") == "ok"
            times = [block.time_ns for block in store.archive.blocks(-EVER_NS, EVER_NS)]
            stored = np.concatenate([np.empty(0, np.int64), *times])
            assert stored.tolist() == sorted(self.model.pairs)
        self._stack.close()


TestStore = StoreMachine.TestCase
TestStore.settings = settings(max_examples=12, stateful_step_count=30, deadline=None)
