"""Copying stores to an object store and back: real SeaweedFS, real keys."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from logger.store.database import Database
from logger.store.journal import Journal
from logger.store.pushed import Pushed
from logger.store.segments import decode
from logger.store.writer import StoreWriter
from logger.utc import DAY_NS
from tests.deadlines import scale
from tests.servers import HUB_KEY, PREFIX, ObjectStore, object_store
from tests.station import mismatchd

pytestmark = pytest.mark.realtime

OWN_TABLES = ("forwarded", "retractions", "pushed", "days", "stale_days", "boots")
KEY = ("workshop", "workshop-secret")
STATION = """\
station: {name: harbour-workshop}
driver:
  kind: simulated
  seed: 7
  pace: fast
  duration_s: 120
  start_utc: 2026-02-28T23:59:00Z
  operator:
    transmissions:
      - {at_s: 5, duration_s: 12, mode: fm, channel: 3, power_w: 4}
      - {at_s: 50, duration_s: 15, mode: fm, channel: 20, power_w: 4}
      - {at_s: 80, duration_s: 25, mode: ssb, channel: 38, power_w: 12}
  faults:
    - {kind: intermittent, where: shack-plug, at_s: 80, duration_s: 20, length_ms: 60}
"""


def dump(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of the tables that are pushed."""
    with Database.reader(path) as database:
        names = [
            name
            for (name,) in database.query("SELECT name FROM sqlite_master WHERE type = 'table'")
            if name not in OWN_TABLES
        ]
        return {name: database.query(f"SELECT * FROM {name} ORDER BY 1") for name in names}


def configure(folder: Path, server: str, *, key: tuple[str, str] = KEY) -> Path:
    (folder / "secret").write_text(key[1])
    path = folder / "config.yaml"
    remote = (
        f"{{url: '{PREFIX}', endpoint: '{server}', access_key: {key[0]}, secret_key_file: secret}}"
    )
    path.write_text(STATION + f"store: {{path: data/station.sqlite, remote: {remote}}}\n")
    return path


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A station's store, over the end of a month."""
    folder = tmp_path_factory.mktemp("original")
    mismatchd("run", "-c", configure(folder, "http://127.0.0.1:9"))
    path = folder / "data/station.sqlite"
    with Journal.editor(path) as journal:
        journal.insert(1_772_323_199_000_000_000, "repair", "a new plug, ½ turn")
    return path


@pytest.fixture
def store(tmp_path: Path, original: Path) -> Path:
    path = tmp_path / "data/station.sqlite"
    path.parent.mkdir()
    with Database.reader(original) as database:
        database.copy_to(path)
    return path


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory, original: Path) -> Iterator[ObjectStore]:
    with Database.reader(original) as database:
        number = database.query_value("SELECT id FROM station")
    with object_store(tmp_path_factory.mktemp("objects"), {number: KEY}) as running:
        yield running


@pytest.fixture(autouse=True)
def is_empty(server: ObjectStore, monkeypatch: pytest.MonkeyPatch) -> None:
    files = server.files()
    if files.exists(PREFIX):
        files.rm(PREFIX, recursive=True)
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", HUB_KEY[0])
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", HUB_KEY[1])


def restored(folder: Path, server: ObjectStore) -> dict[str, list[tuple[Any, ...]]]:
    folder.mkdir()
    mismatchd("restore", "-c", configure(folder, server.url), PREFIX)
    return dump(folder / "data/station.sqlite")


def pushed_objects(done: subprocess.CompletedProcess[str]) -> int:
    return int(done.stderr.partition(f"{PREFIX}: ")[2].split()[0])


def test_a_station_comes_back_bit_by_bit(tmp_path: Path, store: Path, server: ObjectStore) -> None:
    config = configure(tmp_path, server.url)
    first = mismatchd("push", "-c", config)
    assert pushed_objects(first) > 15
    assert pushed_objects(mismatchd("push", "-c", config)) == 1  # that the station was there
    shown = mismatchd("status", "-c", config, check=False).stdout
    assert f"{PREFIX}: last push 20" in shown
    before = dump(store)
    assert restored(tmp_path / "new", server) == before
    assert all(before[name] for name in ("segments", "transmissions", "seconds", "calibrations"))
    assert all(before[name] for name in ("excursions", "alarms", "faults", "captures", "runs"))
    names = server.files().find(PREFIX)
    months = {name.split("/pairs/")[1] for name in names if "/pairs/" in name}
    assert months == {
        "year=2026/month=02/2026-02-28.parquet",
        "year=2026/month=03/2026-03-01.parquet",
    }
    # Rows that were changed, added and deleted; the other months stay as they are.
    with closing(StoreWriter.open(store)) as writer:
        writer.database.execute("UPDATE seconds SET swr = 1.5 WHERE id = 3")
        writer.database.execute("DELETE FROM journal")
        writer.database.execute("DELETE FROM seconds WHERE id = 5")
    assert pushed_objects(mismatchd("push", "-c", config)) == 3
    assert restored(tmp_path / "newer", server) == dump(store)


def test_a_killed_push_goes_on(tmp_path: Path, store: Path, server: ObjectStore) -> None:
    config = configure(tmp_path, server.url)
    code = (
        "import os, sys\n"
        "from logger.cli import main\n"
        "from logger.fleet.remote import Remote\n"
        "put, left = Remote.put, [int(sys.argv.pop())]\n"
        "def last(self, file, name):\n"
        "    put(self, file, name)\n"
        "    left[0] -= 1\n"
        "    if left[0] == 0:\n"
        "        os.kill(os.getpid(), 9)  # sent, but not noted\n"
        "Remote.put = last\n"
        "main(sys.argv[1:])\n"
    )
    for count in (1, 5):
        words = [sys.executable, "-c", code, "push", "-c", str(config), str(count)]
        assert subprocess.run(words, check=False, timeout=scale(60)).returncode == -9
    sent = len(server.files().find(PREFIX))
    assert sent == 5  # the first was sent again under its name
    done = mismatchd("push", "-c", config)
    objects = server.files().find(PREFIX)
    assert pushed_objects(done) == len(objects) - sent + 1
    assert restored(tmp_path / "new", server) == dump(store)


def test_keys_do_what_they_are_for(tmp_path: Path, store: Path, server: ObjectStore) -> None:
    with Database.reader(store) as database:
        number = database.query_value("SELECT id FROM station")
    wrong = mismatchd("push", "-c", configure(tmp_path, server.url, key=("x", "y")), check=False)
    assert wrong.returncode == 1
    assert wrong.stderr.count("\n") == 1
    assert "check the key" in wrong.stderr
    mismatchd("push", "-c", configure(tmp_path, server.url))
    own, hub = server.files(KEY), server.files(HUB_KEY)
    place = f"{PREFIX}/station_id={number}"
    with pytest.raises(PermissionError):  # a station reads nothing, not even its own,
        own.cat_file(f"{place}/station.parquet")
    with pytest.raises(PermissionError):
        own.ls(place)
    with pytest.raises(PermissionError):  # nor writes elsewhere
        own.pipe_file(f"{PREFIX}/station_id=other/station.parquet", b"x")
    assert hub.cat_file(f"{place}/station.parquet")[:4] == b"PAR1"
    for refused in (hub.rm_file, lambda name: hub.pipe_file(name, b"x")):
        with pytest.raises(PermissionError):
            refused(f"{place}/station.parquet")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ACCESS_KEY_ID", KEY[0])
        patch.setenv("AWS_SECRET_ACCESS_KEY", KEY[1])
        done = mismatchd("restore", "-c", configure(tmp_path, server.url), PREFIX, check=False)
    assert done.returncode == 1
    assert "refused" in done.stderr


def test_nothing_expires_before_it_is_acknowledged(
    tmp_path: Path, store: Path, server: ObjectStore
) -> None:
    config = configure(tmp_path, server.url)
    last_ns = 2 * DAY_NS + 1_772_323_200_000_000_000
    with closing(StoreWriter.open(store)) as writer:
        number = writer.station_id
        before = dump(store)
        assert writer.tidy(last_ns, None, PREFIX) == 0
        server.stop()  # goes away
        done = mismatchd("push", "-c", config, check=False)
        assert done.returncode == 1
        assert "cannot connect" in done.stderr
        assert done.stderr.count("\n") == 1
        assert writer.tidy(last_ns, 1, PREFIX) == 0
        server.start()
        mismatchd("push", "-c", config)
        assert Pushed(writer.database, PREFIX, number).acknowledged_days() == {20512}
        assert writer.tidy(last_ns, None, PREFIX) > 0
        # The last day may still get pairs.
        assert min(row[0] for row in dump(store)["segments"]) // DAY_NS == 20513
        assert pushed_objects(mismatchd("push", "-c", config)) <= 2
        assert restored(tmp_path / "new", server)["segments"] == before["segments"]
        # Pairs that come late into an expired day must not replace it.
        late = decode(before["segments"][0][4])[:100]
        writer.archive.reload()
        writer.archive.append([late], [])
        done = mismatchd("push", "-c", config)
        assert "2026-02-28: pairs were added after" in done.stderr
        assert writer.tidy(last_ns, None, PREFIX) == 0
        assert restored(tmp_path / "newer", server)["segments"] == before["segments"]
