"""What rules learn lasts: from transmission to transmission, run to run, and when rows are derived
again."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger import watchdog
from logger.config.load import WatchdogOptions
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Memory, Row, SecondRows, Transmission
from logger.service.backlog import Backlog
from logger.service.keeper import Keeper
from logger.service.reporter import Reporter
from logger.service.retention import Retention
from logger.stages.view import View
from logger.store.writer import StoreWriter
from logger.watchdog.rule import Finding, LearningRule, recalled
from tests.examples import examples
from tests.old_stores import old_store
from tests.test_archive import schema_of
from tests.test_recompute_raw import CUTS_S, Case, derive, dumped
from tests.test_store import SECOND, T0, transmission
from tests.test_watchdog import COUPLER, Settings, block, cut


class Learned(msgspec.Struct, forbid_unknown_fields=True):
    """Of a rule that counts."""

    transmissions: int = 0
    seconds: int = 0
    joules: float = 0.0


class Counter(LearningRule):
    """Raises with every third transmission that it has ever seen."""

    KIND = "counter"
    SEVERITY = "warning"
    Memory = Learned
    takes = (SecondRows, Transmission)

    def __init__(self, memory: Learned) -> None:
        self.memory = memory
        self._pairs = self._seconds = 0

    def update(self, view: View) -> list[Finding]:
        self._pairs += len(view.block)
        return []

    def row(self, row: SecondRows | Transmission, work_ns: int) -> list[Finding]:
        if isinstance(row, SecondRows):
            self._seconds += len(row)
            return []
        self.memory.seconds += self._seconds
        self._seconds = 0
        self.memory.transmissions += 1
        self.memory.joules += round(row.energy_j, 6)
        change = "raised" if self.memory.transmissions % 3 == 0 else "cleared"
        detail = f"{self.memory.seconds} seconds"
        return [Finding(row.end_ns, change, None, None, detail)]


@pytest.fixture
def counter(monkeypatch: pytest.MonkeyPatch) -> None:
    module = SimpleNamespace(
        KIND="counter",
        SEVERITY="warning",
        Memory=Learned,
        rule=lambda options, memory, *, active: Counter(memory),
    )
    monkeypatch.setattr(watchdog, "LEARNING", (module,))


def memories(rows: Sequence[Row]) -> list[Memory]:
    return [row for row in rows if isinstance(row, Memory) and row.rule != "settling"]


PLAN = [(1.0, 0.0, 1.0), *[(2.5, 4.0, 1.5), (2.0, 0.0, 1.0)] * 4]


@pytest.mark.usefixtures("counter")
def test_a_memory_comes_with_the_transmission_that_taught_it() -> None:
    pipeline = Pipeline(Settings(), COUPLER)
    ended = 0
    for part in cut(block(PLAN), range(0, 10_000, 40)):
        rows = pipeline.process(part)
        ended += sum(isinstance(row, Transmission) and row.ended for row in rows)
        for row in memories(rows):
            if row.rule == "counter":
                assert msgspec.json.decode(row.content)["transmissions"] == ended
        assert bool(memories(rows)) == any(
            isinstance(row, Transmission) and row.ended for row in rows
        )
    assert ended == 4
    assert memories(pipeline.finish()) == []


@pytest.mark.usefixtures("counter")
@examples(7)
@given(places=st.lists(st.integers(0, 4000), max_size=12))
def test_the_cut_of_the_blocks_changes_no_memory(places: list[int]) -> None:
    whole = block(PLAN)

    def outcome(parts: Sequence) -> tuple[list[AlarmChange], list[Memory]]:
        pipeline = Pipeline(Settings(), COUPLER)
        rows = [row for part in parts for row in pipeline.process(part)]
        return [row for row in rows if isinstance(row, AlarmChange)], memories(rows)[-2:]

    changes, last = outcome([whole])
    assert [change.change for change in changes] == ["cleared", "cleared", "raised", "cleared"]
    assert changes[2].detail == "9 seconds"  # the last ones are known when it ends
    assert (changes[2].time_ns, changes[2].start_ns) == (
        int(whole.time_ns[0]) + round(12.495e9) + 1000,
        int(whole.time_ns[0]) + 10 * SECOND,
    )
    assert outcome(cut(whole, places)) == (changes, last)


@pytest.mark.usefixtures("counter")
def test_a_run_goes_on_from_what_the_last_one_learned() -> None:
    whole = block(PLAN)
    once = Pipeline(Settings(), COUPLER)
    at_once = [*once.process(whole), *once.finish()]
    middle = 2 * 900 + 200
    first = Pipeline(Settings(), COUPLER)
    rows = [*first.process(whole[:middle]), *first.finish()]
    kept = {row.rule: row.content for row in memories(rows)}
    second = Pipeline(Settings(), COUPLER, memories=kept)
    rows = [*second.process(whole[middle:]), *second.finish()]
    last, expected = ({row.rule: row.content for row in memories(some)} for some in (rows, at_once))
    assert last == expected
    assert {"own-power", "usual-level"} < last.keys()
    assert msgspec.json.decode(last["counter"])["transmissions"] == 4


@pytest.mark.parametrize(
    "content", [b"", b"{", b"[]", b'{"older": 1}', b'{"seconds": "many"}', b"\xff"]
)
def test_a_memory_of_another_form_is_dropped_with_one_line(
    content: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING):
        assert recalled("counter", {"counter": content}, Learned) == Learned()
    (said,) = caplog.messages
    assert "counter" in said
    assert "\n" not in said
    assert recalled("counter", {"counter": b'{"seconds": 7}'}, Learned).seconds == 7
    assert recalled("counter", {}, Learned) == Learned()


def test_the_store_keeps_the_latest_of_each_rule(tmp_path: Path) -> None:
    store = StoreWriter.open(tmp_path / "station.sqlite")
    store.write([transmission(), Memory("one", b"1"), Memory("other", b"2")])
    store.write([transmission(T0 + 9 * SECOND), Memory("one", b"3")])
    store.close()
    store = StoreWriter.open(store.path)
    assert store.memories() == {"one": b"3", "other": b"2"}
    store.close()


def test_memories_that_wait_are_the_latest(tmp_path: Path) -> None:
    backlog = Backlog()
    for number in range(5):
        backlog.add([transmission(T0 + number * SECOND), Memory("one", b"%d" % number)])
    assert memories(backlog.rows()) == [Memory("one", b"4")]
    assert backlog.counts() == (6, 0)
    assert len(backlog) == 6
    backlog.forget_memories()
    assert memories(backlog.take()) == []


def test_a_run_that_began_without_its_memories_replaces_none(tmp_path: Path) -> None:
    from logger.errors import DiskError

    path = tmp_path / "station.sqlite"
    store = StoreWriter.open(path)
    store.write([Memory("one", b"long ago")])
    store.close()
    full = [True]

    def open_store(damaged: bool) -> StoreWriter:
        if full[0]:
            raise DiskError("full")
        return StoreWriter.open(path)

    keeper = Keeper(open_store, Reporter(lambda item: None), Retention(1 << 60))
    assert keeper.memories == {}
    for number in range(3):
        full[0] = number == 0
        keeper.add([transmission(T0 + number * 9 * SECOND), Memory("one", b"new")], 100.0 * number)
        keeper.commit_due(100.0 * number)
    assert keeper.failure is None
    assert keeper.store is not None
    assert keeper.store.memories() == {"one": b"long ago"}
    assert keeper.store.counts()["transmissions"] == 3
    keeper.close()
    keeper = Keeper(open_store, Reporter(lambda item: None), Retention(1 << 60))
    assert keeper.memories == {"one": b"long ago"}
    keeper.add([transmission(), Memory("one", b"new")], 0.0)
    keeper.commit_due(0.0)
    keeper.close()
    store = StoreWriter.open(path)
    assert store.memories() == {"one": b"new"}
    store.close()


@pytest.mark.usefixtures("counter")
def test_rows_derived_again_leave_what_was_learned_over_many_runs(tmp_path: Path) -> None:
    case = Case(tmp_path)
    path = case.play(case.config, case.right)
    before = dumped(path)
    store = StoreWriter.open(path)
    content = store.memories()["counter"]
    assert store.counts()["transmissions"] == 16
    # Those that the end of a run cut short teach nothing.
    assert msgspec.json.decode(content)["transmissions"] == 16 - len(CUTS_S)
    assert sum(alarm.kind == "counter" for alarm in store.open_alarms()) == 1
    store.close()
    derive(path, case.config, case.right)
    assert dumped(path) == before
    # Lost, they are learned again.
    connection = sqlite3.connect(path)
    connection.execute("DELETE FROM memories")
    connection.commit()
    connection.close()
    derive(path, case.config, case.right)
    assert dumped(path) == before


def test_a_file_of_the_second_version_is_brought_up_to_date(tmp_path: Path) -> None:
    path = old_store(tmp_path / "station.sqlite", 2)
    store = StoreWriter.open(path)
    store.insert_calibration("abc", "text")
    assert store.memories() == {}
    store.write([transmission(), Memory("one", b"1")])
    assert store.memories() == {"one": b"1"}
    store.close()
    fresh = tmp_path / "fresh.sqlite"
    StoreWriter.open(fresh).close()
    assert schema_of(path) == schema_of(fresh)


def test_the_watchdog_hands_each_rule_the_work_before_a_transmission(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    heard: list[int] = []

    class Hears(Counter):
        def row(self, row: SecondRows | Transmission, work_ns: int) -> list[Finding]:
            heard.append(work_ns)
            return []

    module = SimpleNamespace(
        KIND="counter",
        SEVERITY="warning",
        Memory=Learned,
        rule=lambda options, memory, *, active: Hears(memory),
    )
    monkeypatch.setattr(watchdog, "LEARNING", (module,))
    guard = watchdog.Watchdog(WatchdogOptions())
    guard.rows([transmission(T0)])
    guard.know_work([T0 + 10, T0 + 5, T0 + 10, T0 + 30])
    guard.rows([transmission(T0 + number) for number in (4, 5, 9, 10, 29, 30)])
    assert heard == [0, 0, T0 + 5, T0 + 5, T0 + 10, T0 + 10, T0 + 30]
    assert np.all(np.diff(heard) >= 0)
