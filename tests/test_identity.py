"""A station's id: made once, kept through everything, and on every point."""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from uuid import UUID

import pytest

from logger.config.load import InfluxOptions
from logger.forward.influx import InfluxForwarder
from logger.store.backup import back_up, restore
from logger.store.writer import StoreWriter
from tests.line_server import all_passed_on, line_server, passed_on
from tests.old_stores import VERSIONS, old_store
from tests.servers import influxd
from tests.station import mismatchd, write_config
from tests.test_forwarder import drain
from tests.test_retractions import held, kept
from tests.test_store import SECOND, T0, transmission


def id_of(path: Path) -> str:
    with closing(StoreWriter.open(path)) as store:
        return store.station_id


def test_it_is_made_once_and_outlives_restore_and_salvage(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    with closing(StoreWriter.open(path)) as store:
        store.write([transmission()])
        made = store.station_id
    assert UUID(made).version == 4
    assert id_of(path) == made
    assert id_of(tmp_path / "other.sqlite") != made
    back_up(path, tmp_path / "copy")
    path.unlink()
    restore(path, tmp_path / "copy")
    assert id_of(path) == made
    with closing(sqlite3.connect(path)) as connection:
        (root,) = connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'transmissions'"
        ).fetchone()
    content = bytearray(path.read_bytes())
    content[512 * (root - 1) : 512 * root] = bytes(512)
    path.write_bytes(content)
    StoreWriter.salvage(path).close()
    assert list(tmp_path.glob("station.sqlite.damaged-*"))
    assert id_of(path) == made


@pytest.mark.parametrize("version", VERSIONS)
def test_an_older_store_gets_one(tmp_path: Path, version: int) -> None:
    path = old_store(tmp_path / "station.sqlite", version)
    assert UUID(id_of(path)).version == 4
    assert id_of(path) == id_of(path)


def test_status_and_export_show_it_under_any_name(tmp_path: Path) -> None:
    made = id_of(tmp_path / "data/station.sqlite")
    with closing(StoreWriter.open(tmp_path / "data/station.sqlite")) as store:
        store.write([transmission()])
    for name in ("harbour", "pier"):
        config = write_config(tmp_path, "/dev/null", station=f"{{name: {name}}}")
        shown = mismatchd("status", "-c", config, check=False).stdout
        assert re.search(f"^station +{name} {made}$", shown, re.MULTILINE)
        answer = json.loads(mismatchd("status", "--json", "-c", config, check=False).stdout)
        assert (answer["station"], answer["station_id"]) == (name, made)
        lines = ("export", "transmissions", "--format", "line-protocol")
        printed = mismatchd(*lines, "-c", config).stdout
        assert printed.startswith(f"transmission,station={name},station_id={made},channel=20 ")


@pytest.mark.realtime
def test_points_delivered_without_it_are_overwritten_and_deleted_so(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    with (
        influxd(tmp_path) as server,
        line_server() as front,
        closing(StoreWriter.open(path)) as store,
    ):
        front.rule = passed_on(f"{server.url}/write?db=t&precision=ns")
        front.others = all_passed_on(server.url)
        options = InfluxOptions(url=front.url, org="home", bucket="t")
        store.write([transmission(T0 + k * 10 * SECOND) for k in range(4)])
        for turn in range(3):
            with closing(InfluxForwarder(path, options, "here", {})) as forwarder:
                forwarder._ensure_open()
                if turn == 0:  # as the program before delivered them
                    forwarder._station_id = ""
                drain(forwarder)
            if turn == 0:  # as migration 011 leaves it
                store.database.execute(
                    "UPDATE forwarded SET unmarked_until_ns ="
                    " (SELECT max(start_ns) FROM transmissions) WHERE followed = 'transmissions'"
                )
                sent = len(front.lines)
                store.write([transmission(T0, swr=2.5), transmission(T0 + 100 * SECOND)])
            elif turn == 1:
                new, old = front.lines[sent:]
                assert "station_id" not in old
                assert f",station=here,station_id={store.station_id}," in new
                for start_ns in (T0 + 10 * SECOND, T0 + 100 * SECOND):
                    store.database.execute(
                        "DELETE FROM transmissions WHERE start_ns = ?", (start_ns,)
                    )
            found = kept(server, "transmission", "energy_j")
            if turn:
                assert len(found) == (5 if turn == 1 else 3)
        assert found == held(store, "transmission", "energy_j")
