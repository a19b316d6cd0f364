"""What must not make the store or the forwarder forget or double anything."""

from __future__ import annotations

import http.server
import math
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.config import InfluxOptions
from logger.errors import StoreError
from logger.forward import influx
from logger.forward.influx import InfluxForwarder, ServerError
from logger.store import database
from logger.store.database import Store
from logger.store.tables import SECONDS, TRANSMISSIONS
from tests.test_store import ALWAYS, SECOND, T0, second, transmission


class Taker(http.server.ThreadingHTTPServer):
    """Remembers the lines it took, or answers 400 with `refusal`."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Answer)
        self.lines: list[str] = []
        self.refusal: bytes | None = None


class Answer(http.server.BaseHTTPRequestHandler):
    server: Taker

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["content-length"])).decode()
        refusal = self.server.refusal
        if refusal is None:
            self.server.lines += body.split("\n")
        self.send_response(204 if refusal is None else 400)
        self.send_header("content-length", str(len(refusal or b"")))
        self.end_headers()
        self.wfile.write(refusal or b"")

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def taker() -> Iterator[Taker]:
    with Taker() as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield server
        server.shutdown()
        thread.join()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with closing(Store.open(tmp_path / "station.sqlite")) as opened:
        yield opened


@pytest.fixture
def forwarder(store: Store, taker: Taker) -> Iterator[InfluxForwarder]:
    options = InfluxOptions(
        url=f"http://127.0.0.1:{taker.server_port}", org="home", bucket="station"
    )
    with closing(InfluxForwarder(store.path, options, "here", {})) as made:
        yield made


def test_an_identical_replay_sends_nothing_again(
    store: Store, taker: Taker, forwarder: InfluxForwarder
) -> None:
    rows = [transmission(ended=False), second(T0), transmission()]
    store.write(rows)
    assert forwarder.step() == 2
    store.write(rows)
    assert forwarder.step() == 0
    assert len(taker.lines) == 2


def test_what_is_replayed_with_new_values_is_sent_anew(
    store: Store, taker: Taker, forwarder: InfluxForwarder
) -> None:
    store.write([transmission(), transmission(T0 + 100 * SECOND)])
    forwarder.step()
    taker.lines.clear()
    store.write([transmission(ended=False, swr=9.0)])
    forwarder.step()
    store.write([transmission(swr=9.0)])
    forwarder.step()
    assert any("swr=9.0," in text for text in taker.lines)


def test_a_replay_cut_short_leaves_the_whole_transmission(store: Store) -> None:
    store.write([transmission(samples=500)])
    store.write([transmission(ended=False, samples=1)])
    assert store.close_interrupted() == 0
    (record,) = store.records(TRANSMISSIONS, *ALWAYS)
    assert (record.columns["samples"], record.columns["flags"]) == (500, "")


def test_no_value_is_infinite_or_minus_zero(store: Store) -> None:
    store.write([transmission(swr_max=math.nan), second(T0, swr=math.inf, reflected_w=-1e-9)])
    (record,) = store.records(SECONDS, *ALWAYS)
    assert record.columns["swr"] is None
    assert str(record.columns["reflected_w"]) == "0.0"


def test_a_400_that_is_not_the_databases_own_loses_nothing(
    store: Store, taker: Taker, forwarder: InfluxForwarder
) -> None:
    store.write([transmission(), second(T0)])
    taker.refusal = b"<html>The plain HTTP request was sent to HTTPS port</html>"
    with pytest.raises(ServerError, match="HTTPS port"):
        forwarder.step()
    taker.refusal = None
    assert forwarder.step() == 2
    assert forwarder.status()["rejected"] == 0


def test_a_row_the_database_refuses_does_not_block(
    store: Store, taker: Taker, forwarder: InfluxForwarder
) -> None:
    store.write([transmission()])
    taker.refusal = b'{"code": "invalid", "message": "field type conflict"}'
    forwarder.step()
    taker.refusal = None
    store.write([transmission(T0 + 100 * SECOND)])
    forwarder.step()
    assert forwarder.status()["rejected"] == 1
    assert len(taker.lines) == 1


def test_a_locked_database_does_not_end_the_thread(
    store: Store, taker: Taker, forwarder: InfluxForwarder, monkeypatch: pytest.MonkeyPatch
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
    deadline = time.monotonic() + 10
    while not taker.lines and time.monotonic() < deadline:
        time.sleep(0.02)
    stop.set()
    thread.join(10)
    assert len(taker.lines) == 1


def test_a_file_only_just_created_is_no_store_yet(tmp_path: Path) -> None:
    path = tmp_path / "empty.sqlite"
    path.touch()
    with pytest.raises(StoreError, match="no store at"):
        Store.reader(path)
