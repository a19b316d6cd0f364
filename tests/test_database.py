"""A store opened for reading cannot be written; transactions within transactions."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from logger.errors import StoreError
from logger.rows import WeatherRow
from logger.store.alarms import Alarms
from logger.store.database import Database
from logger.store.days import DailyValues
from logger.store.deliveries import ALARM, Deliveries
from logger.store.journal import Journal
from logger.store.line_losses import LineLosses
from logger.store.outbox import Outbox, OutboxPosition
from logger.store.reader import Store
from logger.store.sessions import Sessions
from logger.store.tables import SECONDS
from logger.store.weather import WeatherRows
from logger.store.writer import StoreWriter
from tests.test_feedline_measure import READING
from tests.test_store import ALWAYS, T0, alarm, second, transmission

CHANGES: dict[str, Callable[[Database], object]] = {
    "acknowledge": lambda database: Alarms(database).acknowledge(1, T0),
    "shelve": lambda database: Alarms(database).shelve(1, T0 + 1, T0),
    "unshelve": lambda database: Alarms(database).unshelve(1),
    "insert entry": lambda database: Journal(database).insert(T0, "remark", "x"),
    "update entry": lambda database: Journal(database).update(1, {"text": "y"}),
    "delete entry": lambda database: Journal(database).delete(1),
    "begin session": lambda database: Sessions(database).begin("tune", T0, b"{}"),
    "update session": lambda database: Sessions(database).update(1, T0, b"{}"),
    "end session": lambda database: Sessions(database).end(1, T0, b"{}", "cut"),
    "begin notifier": lambda database: Deliveries(database).begin("b", ALARM, T0),
    "save deliveries": lambda database: Deliveries(database).save("a", T0, []),
    "delete messages": lambda database: Deliveries(database).delete_attempted("a"),
    "begin forwarder": lambda database: Outbox(database).begin("a"),
    "adopt": lambda database: Outbox(database).adopt("a"),
    "save position": lambda database: Outbox(database).save("a", SECONDS, OutboxPosition(), T0),
    "put back": lambda database: Outbox(database).put_back("a", SECONDS, [1]),
    "retracted": lambda database: Outbox(database).retracted("a", 1),
    "weather": lambda database: WeatherRows(database).upsert([WeatherRow(time_ns=T0, rain_mm=2.0)]),
    "line loss": lambda database: LineLosses(database).insert(READING, "measured"),
    "rows": lambda database: StoreWriter(database).write([transmission()]),
    "retention": lambda database: StoreWriter(database).archive.expire(T0, None),
    "a statement": lambda database: database.execute("DELETE FROM seconds"),
    "the schema": lambda database: database.execute("DROP TABLE seconds"),
}


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    path = tmp_path_factory.mktemp("store") / "station.sqlite"
    with StoreWriter.open(path) as store:
        store.write([transmission(), second(T0), alarm("raised", T0)])
        Journal(store.database).insert(T0, "remark", "key down")
        Sessions(store.database).begin("tune", T0, b"{}")
        Outbox(store.database).begin("a")
        Deliveries(store.database).begin("a", ALARM, T0)
        yield path


def dump(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as connection:
        return list(connection.iterdump())


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_a_reader_cannot_write(path: Path, change: Callable[[Database], object]) -> None:
    before = dump(path)
    with Database.reader(path) as database, pytest.raises(StoreError, match="readonly database"):
        change(database)
    assert dump(path) == before


def test_the_reader_of_rows_has_no_method_that_writes() -> None:
    def methods(kind: type) -> set[str]:
        return {name for name in dir(kind) if not name.startswith("_")}

    # Methods of this class that the one above does not have are those that need the writer.
    assert methods(StoreWriter) - methods(Store) >= {"open", "salvage", "write", "rewrite", "tidy"}
    assert not methods(Store) & {"write", "rewrite", "update", "acknowledge", "insert", "delete"}


def test_a_reader_sees_stale_days_computed_but_stores_none(path: Path) -> None:
    with DailyValues.reader(path) as days:
        (channel,) = days.days(*ALWAYS)
        assert channel.transmissions.tolist() == [1]
        assert days.database.query("SELECT * FROM days") == []
        assert len(days.database.query("SELECT * FROM stale_days")) == 1


def test_an_editor_writes_and_a_reader_sees_it(path: Path) -> None:
    with Journal.editor(path) as journal, Store.reader(path) as store:
        assert store.work() == []
        number = journal.insert(T0 + 5, "repair", "plug")
        assert store.work() == [T0 + 5]
        assert store.database.changed_elsewhere()
        assert not store.database.changed_elsewhere()
        assert journal.delete(number)
        assert not journal.delete(number)


def test_a_transaction_within_another_ends_with_it(path: Path) -> None:
    def fail(database: Database) -> None:
        with database.transaction():
            with database.transaction():
                database.execute("DELETE FROM seconds")
            Sessions(database).begin("wiggle", T0, b"{}")
            raise KeyError

    before = dump(path)
    with Database.editor(path) as database:
        with pytest.raises(KeyError):
            fail(database)
        assert dump(path) == before
        with database.transaction(), database.transaction():
            Sessions(database).begin("wiggle", T0, b"{}")
        assert len(Sessions(database).sessions("wiggle")) == 1


def test_a_failed_query_names_the_file(path: Path) -> None:
    with Database.reader(path) as database:
        with pytest.raises(StoreError, match=r"station\.sqlite: no such table: nowhere"):
            list(database.stream("SELECT * FROM nowhere"))
        assert [row for (row,) in database.stream("SELECT id FROM transmissions")] == [1]


def test_a_folder_that_may_not_be_searched_is_one_line(tmp_path: Path) -> None:
    folder = tmp_path / "private"
    folder.mkdir()
    (folder / "station.sqlite").touch()
    folder.chmod(0)
    user = os.geteuid()
    try:
        if user == 0:  # permissions do not restrict root
            os.seteuid(65534)
        with pytest.raises(StoreError, match="cannot be read: Permission denied; use sudo"):
            Database.expect(folder / "station.sqlite")
    finally:
        os.seteuid(user)
        folder.chmod(0o700)


def test_a_store_on_a_read_only_disk_is_read_without_a_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "station.sqlite"
    with StoreWriter.open(path) as store:
        store.write([transmission()])
    monkeypatch.setattr("logger.store.database._is_read_only", lambda path: True)
    with Store.reader(path) as store:
        assert store.counts()["transmissions"] == 1
        assert list(tmp_path.iterdir()) == [path]  # there is no place for others
    with Store.editor(path) as store, pytest.raises(StoreError, match="readonly"):
        Journal(store.database).insert(T0, "remark", "x")
    with StoreWriter.open(path) as writer, Store.reader(path) as store:
        writer.write([transmission(T0 + 1_000_000_000)])
        assert store.counts()["transmissions"] == 2


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_a_store_of_another_user_says_so() -> None:
    with TemporaryDirectory() as folder:  # other users cannot search the folders of pytest
        os.chmod(folder, 0o755)
        path = Path(folder, "station.sqlite")
        StoreWriter.open(path).close()
        path.chmod(0o600)
        os.seteuid(65534)
        try:
            with pytest.raises(StoreError, match="use sudo, or the daemon's user"):
                Store.reader(path)
        finally:
            os.seteuid(0)
