"""Stored rows are moved as a whole, forwarded once they are dated, and kept through a migration."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.rows import Boot, ClockChange, FaultEvent, Flag, Shift, Trust
from logger.service.keeper import Keeper
from logger.service.reporter import Reporter
from logger.service.retention import Retention
from logger.store.alarms import Alarms
from logger.store.database import Database
from logger.store.outbox import Outbox
from logger.store.redate import last_ns, select_boot, upsert_boot
from logger.store.schema import FOLDER, current_version, version_of
from logger.store.tables import ALARMS, FORWARDED, TABLES, Event
from logger.store.writer import StoreWriter
from tests.old_stores import old_store
from tests.test_fault_notifiers import fault
from tests.test_store import ALWAYS, SECOND, T0, alarm, second, transmission

BOOT_NS = 100 * SECOND  # 1970
LATER_NS = T0 + 3600 * SECOND
STEP = int(Flag.CLOCK_STEP)


def boot(trust: Trust, name: str = "one", since_ns: int = BOOT_NS) -> Boot:
    return Boot(name, trust, -(1 << 62), since_ns, since_ns)


def seen(store: StoreWriter, name: str) -> list[dict[str, object]]:
    return [record.columns for record in store.records(TABLES[name], *ALWAYS)]


def rows_of_one_over(start_ns: int) -> list[object]:
    return [
        transmission(start_ns),
        *(second(start_ns + k * SECOND, start_ns, samples=k + 1) for k in range(4)),
        alarm("raised", start_ns + SECOND, start_ns=start_ns),
        alarm("cleared", start_ns + 2 * SECOND, start_ns=start_ns),
    ]


@settings(deadline=None, max_examples=30)
@given(st.integers(1, 20), st.integers(-8, 8) | st.integers(10**3, 10**9), st.integers(0, 999_999))
def test_rows_are_moved_by_any_time_and_meet_none_of_their_own(
    overs: int, seconds: int, micros: int
) -> None:
    by_ns = seconds * SECOND + micros * 1000
    connection = sqlite3.connect(":memory:", isolation_level=None)
    connection.executescript((FOLDER / "schema.sql").read_text())
    with StoreWriter(Database(connection, Path("memory"))) as store:
        store.write(rows_of_one_over(BOOT_NS - 10**6 * SECOND))  # of an earlier start: stays
        for over in range(overs):
            store.write(rows_of_one_over(BOOT_NS + 4 * over * SECOND))  # one after the other
        before = {name: seen(store, name) for name in ("transmissions", "seconds", "alarms")}
        times = "SELECT start_ns FROM transmissions ORDER BY id"
        starts = [time for (time,) in connection.execute(times)]
        shift = Shift(BOOT_NS, BOOT_NS + 10**6 * SECOND, by_ns)
        store.write([ClockChange(boot(Trust.FOLLOWED), shift, leap=True)])
        moved = [starts[0], *(time + by_ns for time in starts[1:])]
        assert [time for (time,) in connection.execute(times)] == moved
        after = {name: seen(store, name) for name in before}
        for name, number in (("transmissions", 1), ("seconds", 4), ("alarms", 1)):
            assert len(after[name]) == len(before[name])
            assert after[name][:number] == before[name][:number]
            for old, new in zip(before[name][number:], after[name][number:], strict=True):
                assert "clock-step" in str(new["flags"])
                changed = {key for key in old if old[key] != new[key]}
                assert changed <= {key for key in old if key.endswith("_utc")} | {"flags"}
        changes = "SELECT time_ns FROM alarm_changes ORDER BY id"
        expected = [t + k * SECOND for t in moved for k in (1, 2)]
        assert [time for (time,) in connection.execute(changes)] == expected


def test_everything_with_a_time_is_moved(tmp_path: Path) -> None:
    with closing(StoreWriter.open(tmp_path / "s.sqlite")) as store:
        connection = store.database._connection
        connection.executescript(
            f"INSERT INTO segments VALUES ({T0}, {T0 + 5}, 2, 0, ''), (0, 1, 2, 0, '');"
            f"INSERT INTO excursions (time_ns) VALUES ({T0}), (0);"
            f"INSERT INTO journal (time_ns, kind, text) VALUES ({T0}, 'remark', 'x');"
        )
        store.write(rows_of_one_over(T0))
        Alarms(store.database).acknowledge(1, 50 * SECOND)  # by a wall clock that is behind
        assert last_ns(store.database) == T0 + 3 * SECOND
        assert last_ns(store.database, T0) == T0
        shift = Shift(T0, T0 + 10 * SECOND, LATER_NS - T0)
        store.write([ClockChange(boot(Trust.FOLLOWED), shift, leap=True)])
        for statement, expected in (
            ("SELECT first_ns, last_ns FROM segments", [(0, 1), (LATER_NS, LATER_NS + 5)]),
            ("SELECT time_ns FROM excursions ORDER BY 1", [(0,), (LATER_NS,)]),
            ("SELECT time_ns FROM journal", [(LATER_NS,)]),
            (
                "SELECT raised_ns, cleared_ns, acknowledged_ns, flags FROM alarms",
                [(LATER_NS + SECOND, LATER_NS + 2 * SECOND, LATER_NS + SECOND, STEP)],
            ),
        ):
            assert connection.execute(statement).fetchall() == expected, statement


def waiting(store: StoreWriter) -> tuple[int, ...]:
    """What a forwarder would find of transmissions, seconds and alarm changes."""
    with closing(Outbox.editor(store.path)) as outbox:
        found = {
            table.name: len(list(outbox.records_between(table, 0, 1 << 40, 100)))
            for table in FORWARDED
        }
    return found["transmissions"], found["seconds"], found["alarm_changes"]


def test_provisional_rows_are_forwarded_once_they_are_dated(tmp_path: Path) -> None:
    with closing(StoreWriter.open(tmp_path / "s.sqlite")) as store:
        assert select_boot(store.database, "one") == (None, 0)
        provisional = boot(Trust.PROVISIONAL)
        upsert_boot(store.database, provisional)
        store.write(rows_of_one_over(BOOT_NS))
        assert waiting(store) == (0, 0, 0)
        assert select_boot(store.database, "one") == (provisional, 0)  # the daemon is started again
        dated = boot(Trust.FOLLOWED, since_ns=T0)
        store.write([ClockChange(dated, Shift(BOOT_NS, BOOT_NS + 9 * SECOND, T0 - BOOT_NS), True)])
        assert waiting(store) == (1, 4, 2)
        assert select_boot(store.database, "one") == (dated, 0)


def test_rows_that_nobody_can_date_any_more_stay_and_are_not_forwarded(tmp_path: Path) -> None:
    with closing(StoreWriter.open(tmp_path / "s.sqlite")) as store:
        upsert_boot(store.database, boot(Trust.PROVISIONAL))
        store.write(rows_of_one_over(BOOT_NS))
        assert select_boot(store.database, "two") == (None, 1)  # told once
        assert select_boot(store.database, "two") == (None, 0)
        upsert_boot(store.database, boot(Trust.UNCONFIRMED, "two", T0))
        store.write(rows_of_one_over(T0))
        assert waiting(store) == (1, 4, 2)
        assert len(seen(store, "transmissions")) == 2
        assert select_boot(store.database, "three") == (
            None,
            0,
        )


@pytest.mark.parametrize("fails_at", ["seconds", "alarms"])
def test_all_or_nothing(tmp_path: Path, fails_at: str) -> None:
    with closing(StoreWriter.open(tmp_path / "s.sqlite")) as store:
        store.write(rows_of_one_over(BOOT_NS))
        before = {name: seen(store, name) for name in ("transmissions", "seconds", "alarms")}
        store.database.execute(
            f"CREATE TRIGGER refused BEFORE UPDATE ON {fails_at}"
            " BEGIN SELECT RAISE(ABORT, 'refused'); END"
        )
        shift = Shift(BOOT_NS, BOOT_NS + 9 * SECOND, T0)
        with pytest.raises(Exception, match="refused"):
            store.write([ClockChange(boot(Trust.FOLLOWED), shift, leap=True)])
        assert {name: seen(store, name) for name in before} == before


def test_a_store_of_version_1_is_migrated(tmp_path: Path) -> None:
    path = old_store(tmp_path / "s.sqlite", 1)
    with closing(StoreWriter.open(path)) as store, closing(sqlite3.connect(":memory:")) as new:
        assert version_of(store.database._connection) == current_version() >= 2
        assert [row["flags"] for row in seen(store, ALARMS.name)] == [""] * 3
        upsert_boot(store.database, boot(Trust.FOLLOWED))
        new.executescript((FOLDER / "schema.sql").read_text())
        for table in ("alarms", "boots"):
            shape = f"SELECT name, type, \"notnull\", dflt_value FROM pragma_table_info('{table}')"
            ours = set(store.database.query(shape))
            assert ours == set(new.execute(shape)), table


def test_a_fault_told_during_a_stall_is_not_told_again_when_it_was_moved(tmp_path: Path) -> None:
    told: list[Event] = []
    path = tmp_path / "station.sqlite"
    keeper = Keeper(lambda _: StoreWriter.open(path), Reporter(told.append), Retention(1 << 62))
    assert keeper.store is not None
    keeper.store.database.wait_for_locks(0)
    moved = ClockChange(boot(Trust.FOLLOWED, since_ns=T0), Shift(BOOT_NS, 1 << 61, T0))
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        keeper.add([fault("opened", BOOT_NS, BOOT_NS), moved], 0.0)
        assert not keeper.commit_due(2.0)
        assert [type(event) for event in told] == [FaultEvent]
    assert keeper.commit_due(20.0)
    assert [type(event) for event in told] == [FaultEvent]
    assert keeper.store.database.query_value("SELECT opened_ns FROM faults") == BOOT_NS + T0
    keeper.close()
