"""What must not make the store or the forwarder forget or double anything."""

from __future__ import annotations

import math
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.config.load import InfluxOptions
from logger.errors import StoreError
from logger.forward import influx
from logger.forward.answers import ServerError
from logger.forward.influx import InfluxForwarder
from logger.store import database
from logger.store.reader import Store
from logger.store.tables import SECONDS, TRANSMISSIONS
from logger.store.writer import StoreWriter
from tests.deadlines import Deadline, scale
from tests.line_server import TAKEN, LineServer, Reply, line_server, refusing
from tests.test_store import ALWAYS, SECOND, T0, second, transmission

pytestmark = pytest.mark.realtime


def passing(lines: list[str]) -> Reply:
    return TAKEN


@pytest.fixture
def taker() -> Iterator[LineServer]:
    with line_server() as server:
        yield server


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    with closing(StoreWriter.open(tmp_path / "station.sqlite")) as opened:
        yield opened


@pytest.fixture
def forwarder(store: StoreWriter, taker: LineServer) -> Iterator[InfluxForwarder]:
    options = InfluxOptions(url=taker.url, org="home", bucket="station")
    with closing(InfluxForwarder(store.path, options, "here", {})) as made:
        yield made


def test_an_identical_replay_sends_nothing_again(
    store: StoreWriter, taker: LineServer, forwarder: InfluxForwarder
) -> None:
    rows = [transmission(ended=False), second(T0), transmission()]
    store.write(rows)
    assert forwarder.step() == 2
    store.write(rows)
    assert forwarder.step() == 0
    assert len(taker.lines) == 2


def test_what_is_replayed_with_new_values_is_sent_anew(
    store: StoreWriter, taker: LineServer, forwarder: InfluxForwarder
) -> None:
    store.write([transmission(), transmission(T0 + 100 * SECOND)])
    forwarder.step()
    taker.lines.clear()
    store.write([transmission(ended=False, swr=9.0)])
    forwarder.step()
    store.write([transmission(swr=9.0)])
    forwarder.step()
    assert any("swr=9.0," in text for text in taker.lines)


def test_a_replay_cut_short_leaves_the_whole_transmission(store: StoreWriter) -> None:
    store.write([transmission(samples=500)])
    store.write([transmission(ended=False, samples=1)])
    assert store.close_interrupted() == 0
    (record,) = store.records(TRANSMISSIONS, *ALWAYS)
    assert (record.columns["samples"], record.columns["flags"]) == (500, "")


def test_no_value_is_infinite_or_minus_zero(store: StoreWriter) -> None:
    store.write([transmission(swr_max=math.nan), second(T0, swr=math.inf, reflected_w=-1e-9)])
    (record,) = store.records(SECONDS, *ALWAYS)
    assert record.columns["swr"] is None
    assert str(record.columns["reflected_w"]) == "0.0"


def test_a_400_that_is_not_the_databases_own_loses_nothing(
    store: StoreWriter, taker: LineServer, forwarder: InfluxForwarder
) -> None:
    store.write([transmission(), second(T0)])
    taker.rule = refusing(400, b"<html>The plain HTTP request was sent to HTTPS port</html>")
    with pytest.raises(ServerError, match="HTTPS port"):
        forwarder.step()
    taker.rule = passing
    assert forwarder.step() == 2
    assert forwarder.status().refused == 0


def test_a_row_the_database_refuses_does_not_block(
    store: StoreWriter, taker: LineServer, forwarder: InfluxForwarder
) -> None:
    store.write([transmission()])
    taker.rule = refusing(400, b'{"code": "invalid", "message": "field type conflict"}')
    forwarder.step()
    taker.rule = passing
    store.write([transmission(T0 + 100 * SECOND)])
    forwarder.step()
    assert forwarder.status().refused == 1
    assert len(taker.lines) == 1


def test_a_locked_database_does_not_end_the_thread(
    store: StoreWriter,
    taker: LineServer,
    forwarder: InfluxForwarder,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(database, "BUSY_MS", 50)
    monkeypatch.setattr(influx, "IDLE_S", 0.05)
    store.write([transmission()])
    with closing(sqlite3.connect(store.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="locked"):
            forwarder.step()
        stop = threading.Event()
        thread = threading.Thread(target=forwarder.run, args=(stop,))
        thread.start()
        time.sleep(0.3)
        other.execute("COMMIT")
    deadline = Deadline(10)
    while not taker.lines and not deadline.has_passed():
        time.sleep(0.02)
    stop.set()
    thread.join(scale(10))
    assert len(taker.lines) == 1


def test_a_file_only_just_created_is_no_store_yet(tmp_path: Path) -> None:
    path = tmp_path / "empty.sqlite"
    path.touch()
    with pytest.raises(StoreError, match="no store at"):
        Store.reader(path)
