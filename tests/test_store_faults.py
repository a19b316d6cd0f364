"""What may befall a store: no space, garbage in the file, a folder that cannot be written."""

from __future__ import annotations

import contextlib
import json
import os
import random
import re
import resource
import sqlite3
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.contract import SampleBlock
from logger.errors import DamageError, DiskError, StoreError
from logger.rows import AlarmEvent, Samples
from logger.service.backlog import MOST_PAIRS
from logger.service.keeper import REST_S, Keeper
from logger.service.reporter import Reporter
from logger.service.retention import Retention
from logger.store import salvage
from logger.store.outbox import Outbox
from logger.store.reader import Store
from logger.store.tables import ALARMS, SECONDS, TRANSMISSIONS, Event
from logger.store.writer import StoreWriter
from logger.utc import format_ns
from tests.counterparts import hook_server
from tests.deadlines import wait_until
from tests.disks import disk, mounted
from tests.servers import victoria_metrics
from tests.station import Running, line, mismatchd, pty, write_config
from tests.test_end_to_end import QUIET, Plan, play, play_until_read
from tests.test_forwarder import exported as exported_series
from tests.test_notifiers import Clock, drain, make_notifier
from tests.test_store import ALWAYS, SECOND, T0, alarm, second, transmission

pytestmark = pytest.mark.realtime

EVER_NS = 2**62
EXPORTED = [column.name for column in ALARMS.columns]
GOOD, BAD = (4.0, 0.05), (4.0, 3.2)
LITTLE = 40  # pairs at a time
HOLD_RSS_MB = 160  # while as many pairs as may be are held, of which 50 are the pairs


@pytest.fixture(params=["tmpfs", "limit"])
def small(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Any]:
    with disk(request.param, tmp_path / "disk") as found:
        yield found


def config_on(folder: Path, port: str, **more: str) -> Path:
    return write_config(folder, port, transmission="{hang_ms: 300}", **more)


def archived(path: Path) -> np.ndarray:
    """Times of all archived pairs."""
    store = Store.reader(path)
    found = [block.time_ns for block in store.archive.blocks(-EVER_NS, EVER_NS)]
    store.close()
    return np.concatenate([np.empty(0, np.int64), *found])


def rows(path: Path, table: str) -> list[dict[str, Any]]:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        return [dict(row) for row in connection.execute(f"SELECT * FROM {table} ORDER BY 1")]


def wait_stored(config: Path, deadline_s: float = 10) -> None:
    """Wait until the store takes rows."""

    def stored() -> bool:
        status = json.loads(mismatchd("status", "--json", "-c", config).stdout)
        return status.get("store_error") is None

    assert wait_until(stored, deadline_s)


def assert_all_pairs_are_there(path: Path) -> None:
    times = archived(path)
    assert (np.diff(times) > 0).all()
    for row in rows(path, "transmissions"):
        within = (times >= row["start_ns"]) & (times <= row["end_ns"])
        assert within.sum() == row["samples"], row


def of_limits(path: Path) -> list[dict[str, Any]]:
    """Alarms of the two limits; learning rules may see a change as well, and have their tests."""
    return [row for row in rows(path, "alarms") if row["kind"].startswith("high-")]


def alarm_events(daemon: Running) -> list[dict[str, Any]]:
    """Event lines of the two limits."""
    if daemon.process.poll() is None:
        daemon.poll()
    return [
        event
        for _, event in daemon.events
        if event["event"] == "alarm" and event["kind"].startswith("high-")
    ]


def alarms_told(daemon: Running) -> list[tuple[str, str]]:
    return [(event["kind"], event["change"]) for event in alarm_events(daemon)]


# the disk is full


@pytest.mark.nightly
def test_a_disk_fills_up_and_has_space_again(small: Any) -> None:
    path = small.folder / "data/station.sqlite"
    with pty() as (master, name):
        config = config_on(small.folder, name)
        daemon = Running(config)
        try:
            play_until_read(daemon, config, master)
            play(master, 200, [(0.3, QUIET), (1.5, GOOD), (0.7, QUIET)])
            small.fill(daemon.process.pid)
            plan: Plan = [(2.2, GOOD), (0.4, BAD), (1.3, GOOD), (0.7, QUIET)]
            play(master, 200, plan)
            assert wait_until(lambda: len(alarms_told(daemon)) >= 2)
            told = alarms_told(daemon)
            assert all(list(event)[2:] == EXPORTED for event in alarm_events(daemon))
            # The store refuses from the first commit on; alarms are told within their time.
            assert sorted(told[:2]) == [("high-reflected-power", "raised"), ("high-swr", "raised")]
            assert len(of_limits(path)) == 0
            status = daemon.wait_status(config, lambda status: status.store_error)
            assert re.search("full|disk I/O", status.store_error)
            assert "full" in mismatchd("status", "-c", config).stdout or small.prefix
            play(master, 200, [(1.5, GOOD), (2.5, QUIET)])
            small.free(daemon.process.pid)
            wait_stored(config, 20)
            play(master, 200, [(1.0, QUIET), (1.0, GOOD), (0.7, QUIET)])
            daemon.wait_events(4, event="transmission")
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0, said
    assert said.count("alarms are still delivered") == 1, said
    assert said.count("the store accepts rows again") == 1
    assert len(re.findall("ALARM .*high-", said)) == 2
    told = alarms_told(daemon)
    assert len(told) == len(set(told)), "told twice"
    stored = of_limits(path)
    assert {(row["kind"], "raised") for row in stored} <= set(told)
    assert len(stored) == 2
    assert all(
        (row["cleared_ns"] is not None) == ((row["kind"], "cleared") in told) for row in stored
    )
    assert len(rows(path, "transmissions")) == 4
    ended = [event["id"] for _, event in daemon.events if event["event"] == "transmission"]
    assert ended == [row["id"] for row in rows(path, "transmissions")]
    assert_all_pairs_are_there(path)


@pytest.mark.nightly
@pytest.mark.parametrize("known", [False, True], ids=["new", "known"])
def test_a_disk_that_is_full_from_the_start(small: Any, known: bool) -> None:
    path = small.folder / "data/station.sqlite"
    with pty() as (master, name):
        config = config_on(small.folder, name)
        if known:  # a station that ended during an alarm
            daemon = Running(config)
            try:
                play_until_read(daemon, config, master)
                play(master, 200, [(1.0, GOOD), (0.4, BAD)])
                assert daemon.stop()[0] == 0
            finally:
                daemon.kill()
            assert len(of_limits(path)) == 2
        small.fill()
        daemon = Running(config, small.prefix)
        try:
            play_until_read(daemon, config, master)
            play(master, 200, [(0.5, QUIET), (1.0, GOOD), (0.4, BAD), (0.7, QUIET)])
            assert wait_until(lambda: len(alarms_told(daemon)) >= 2)
            told = alarms_told(daemon)
            assert sorted(told) == [("high-reflected-power", "raised"), ("high-swr", "raised")]
            small.free(daemon.process.pid)
            wait_stored(config, 20)
            play(master, 200, [(0.3, QUIET), (2.0, GOOD), (0.7, QUIET)])
            daemon.wait_events(2, event="transmission")
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0, said
    assert said.count("alarms are still delivered") == 1, said
    assert said.count("the store accepts rows again") == 1
    stored = of_limits(path)
    assert len(stored) == 2  # what was open from before stands for what was told
    assert len(rows(path, "transmissions")) == 2 + known
    assert_all_pairs_are_there(path)


def use_up(store: StoreWriter) -> int:
    """Write until the disk is full to the last page of a file; how many transmissions went in."""
    there = 0
    with contextlib.suppress(DiskError):
        while there < 100:
            store.write([transmission(T0 - (there + 1) * 10 * SECOND)])
            there += 1
    with pytest.raises(DiskError, match="full"):
        store.write([transmission(T0 - (there + 1) * 10 * SECOND)])
    return there


def test_an_alarm_is_stored_and_reported_before_the_pairs_and_seconds_with_it(
    tmp_path: Path,
) -> None:
    events: list[Event] = []
    path = tmp_path / "station.sqlite"
    keeper = Keeper(lambda _: StoreWriter.open(path), Reporter(events.append), Retention(EVER_NS))
    pairs = SampleBlock(T0 + 1000 * np.arange(9), np.full(9, 1.0), np.full(9, 0.5))
    begun = [Samples(pairs), transmission(ended=False), second(T0)]
    keeper.add([*begun, alarm("raised", T0 + SECOND)], 10.0)
    assert keeper.wait_s(10.0) == 0.0
    assert keeper.commit_due(10.0)
    assert [(event.change, event.alarm.id, event.alarm.transmission_id) for event in events] == [
        ("raised", 1, 1)
    ]
    assert keeper.unstored() == (1, 9)
    assert 0 < keeper.wait_s(10.0) <= REST_S
    assert keeper.commit_due(10.0) is None
    assert keeper.commit_due(10.0 + REST_S)
    assert keeper.unstored() == (0, 0)
    # With the end of a transmission, everything is due.
    keeper.add([*begun, transmission(), alarm("cleared", T0 + 2 * SECOND)], 20.0)
    assert keeper.commit_due(20.0)
    assert keeper.unstored() == (0, 0)
    keeper.close()
    with Store.reader(path) as store:
        assert store.counts()["seconds"] == 1
    assert len(archived(path)) == 9
    assert len(events) == 3


def test_an_alarm_on_a_full_disk_is_delivered_with_all_columns(tmp_path: Path) -> None:
    events: list[Event] = []
    with disk("tmpfs", tmp_path / "disk") as small, hook_server() as server:
        store = StoreWriter.open(small.folder / "station.sqlite")
        small.fill()
        use_up(store)
        keeper = Keeper(lambda damaged: store, Reporter(events.append), Retention(EVER_NS))
        keeper.add([alarm("raised", T0), alarm("cleared", T0 + SECOND)], 0.0)
        assert keeper.commit_due(0.0) is False
        notifier = make_notifier(store.path, Clock(), server.url)
        for event in events:
            notifier.offer(event)
        drain(notifier)
        notifier.close()
        raised, cleared = server.taken()
        store.close()
    for message in (raised, cleared):
        assert [name for name in message if name in EXPORTED] == EXPORTED
        assert message["id"] is message["shelved_until_utc"] is message["capture_id"] is None
    assert (raised["raised_utc"], raised["cleared_utc"]) == (format_ns(T0), None)
    assert (cleared["raised_utc"], cleared["cleared_utc"]) == (None, format_ns(T0 + SECOND))


@pytest.mark.nightly
def test_what_is_held_has_an_end(tmp_path: Path) -> None:
    # A few pairs at a time, as they come while the key is down, and more than may be held.
    with disk("tmpfs", tmp_path / "disk") as small:
        told: list[Event] = []
        path = small.folder / "station.sqlite"
        store = StoreWriter.open(path)
        small.fill()
        use_up(store)
        keeper = Keeper(lambda damaged: store, Reporter(told.append), Retention(EVER_NS))
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        count = MOST_PAIRS + 300_000
        times = T0 + 2_000_000 * np.arange(count)
        forward, reflected = np.full(count, 1.0), np.full(count, 0.1)
        for begin in range(0, count, LITTLE):
            part = slice(begin, begin + LITTLE)
            block = SampleBlock(times[part], forward[part], reflected[part])
            now_s = begin / 5000
            keeper.add([transmission(ended=False), Samples(block)], now_s)
            keeper.commit_due(now_s)
        keeper.add([alarm("raised", T0)], 1e6)
        assert keeper.failure is not None
        assert "full" in keeper.failure
        assert [item.change for item in told if isinstance(item, AlarmEvent)] == ["raised"]
        grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
        assert grown_mb < HOLD_RSS_MB
        assert 300_000 - LITTLE <= keeper.dropped < 300_000 + 200_000
        small.free()
        subprocess.run(["mount", "-o", "remount,size=100m", str(small.folder)], check=True)
        keeper.commit_due(2e6)
        assert keeper.failure is None
        assert len(told) == 1
        store.close()
        assert np.array_equal(archived(path), times[keeper.dropped :])


# garbage in the file


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a station that has recorded 60 transmissions."""
    folder = tmp_path_factory.mktemp("recorded")
    random_ = random.Random(5)
    with (folder / "pairs.csv").open("w") as file:
        file.write("time_s,forward_v,reflected_v\n")
        lines = {powers: line(*powers).decode().strip() for powers in (QUIET, GOOD)}
        at_us = 1_770_000_000_000_000
        for _ in range(60):
            for powers, count in ((QUIET, 800), (GOOD, random_.randrange(200, 6000))):
                for _ in range(count):
                    at_us += 5000
                    file.write(f"{at_us / 1e6:.6f},{lines[powers]}\n")
    config = config_on(folder, "", driver="{kind: replay, path: pairs.csv}")
    mismatchd("run", "-c", config)
    with contextlib.closing(sqlite3.connect(folder / "data/station.sqlite")) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return folder


def copied(folder: Path, target: Path) -> Path:
    """The same station elsewhere; its store."""
    subprocess.run(["cp", "-r", f"{folder}/.", str(target)], check=True)
    return target / "data/station.sqlite"


def pages(path: Path, name: str, kind: str = "leaf") -> list[int]:
    """Numbers of a table's or index's pages, in the order of its rows."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        found = connection.execute(
            "SELECT pageno FROM dbstat WHERE name = ? AND pagetype = ? ORDER BY path",
            (name, kind),
        )
        return [row[0] for row in found]


def garble(path: Path, numbers: list[int]) -> None:
    """Overwrite pages with garbage."""
    random_ = random.Random(1)
    with path.open("r+b") as file:
        file.seek(16)
        (size,) = struct.unpack(">H", file.read(2))
        for number in numbers:
            file.seek((number - 1) * size)
            file.write(random_.randbytes(size))


def named(said: str, path: Path) -> Path:
    """The file that the message says the damaged one is now."""
    (found,) = re.findall(rf"{re.escape(str(path))} is damaged and was renamed (\S+);", said)
    return path.with_name(found)


def sound(path: Path) -> bool:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return bool(connection.execute("PRAGMA integrity_check").fetchone() == ("ok",))


def content(path: Path, table: str, *without: str) -> list[dict[str, Any]]:
    return [
        {name: value for name, value in row.items() if name not in without}
        for row in rows(path, table)
    ]


def test_pages_of_garbage_cost_their_rows_until_recompute(recorded: Path, tmp_path: Path) -> None:
    path = copied(recorded, tmp_path)
    before = {name: rows(path, name) for name in ("transmissions", "seconds", "segments")}
    doomed = pages(path, "seconds")[1::3] + pages(path, "transmissions")[:1]
    garble(path, doomed + pages(path, "sqlite_autoindex_seconds_1")[:1])
    late = tmp_path / "pairs.csv"
    late.write_text("time_s,forward_v,reflected_v\n1780000000.0,0.0,0.0\n")
    done = mismatchd("run", "-c", tmp_path / "config.yaml")
    aside = named(done.stderr, path)
    assert aside.exists()
    assert sound(path)
    assert f"segments: {len(before['segments'])}" in done.stderr
    kept = rows(path, "seconds")
    known = {row["id"]: row for row in before["seconds"]}
    assert 0.4 * len(known) < len(kept) < 0.8 * len(known)
    assert all(known[row["id"]] == row for row in kept)
    assert [row for row in rows(path, "segments") if row["first_ns"] < 1_780_000_000 * SECOND] == (
        before["segments"]
    )
    assert len(rows(path, "transmissions")) < len(before["transmissions"])
    mismatchd("recompute", "-c", tmp_path / "config.yaml")
    for table, key in (("transmissions", "start_ns"), ("seconds", "time_ns")):
        again = sorted(content(path, table, "id", "transmission_id"), key=lambda row: row[key])
        first = [
            {name: value for name, value in row.items() if name not in ("id", "transmission_id")}
            for row in before[table]
        ]
        assert again == first


@pytest.mark.parametrize("end", [0, -1])
def test_garbage_at_either_end_of_a_table(tmp_path: Path, end: int) -> None:
    # Before the first page of rows whose keys are times nothing says where the next begin.
    path = tmp_path / "station.sqlite"
    store = StoreWriter.open(path)
    for number in range(300):
        times = T0 + number * SECOND + 5_000_000 * np.arange(50)
        noise = np.random.default_rng(number).integers(0, 9, (2, 50)) / 1000
        store.write([Samples(SampleBlock(times, *noise))])
    store.close()
    before = rows(path, "segments")
    numbers = pages(path, "segments")
    garble(path, [numbers[end], numbers[len(numbers) // 2]])
    with pytest.raises(DamageError, match="is damaged"):
        StoreWriter.open(path)
    StoreWriter.salvage(path).close()
    assert sound(path)
    kept = rows(path, "segments")
    assert all(row in before for row in kept)
    a_page = len(before) / len(numbers)
    assert len(before) - 3 * a_page <= len(kept) < len(before)


@pytest.mark.nightly
def test_a_page_of_garbage_under_a_running_daemon(recorded: Path, tmp_path: Path) -> None:
    path = copied(recorded, tmp_path)
    before = rows(path, "transmissions")
    with pty() as (master, name), victoria_metrics(tmp_path) as server:
        config = config_on(
            tmp_path, name, influxdb=f"{{url: '{server.url}', org: home, bucket: station}}"
        )
        daemon = Running(config)
        try:
            play_until_read(daemon, config, master)
            play(master, 200, [(0.3, QUIET), (1.5, GOOD), (1.0, QUIET)])
            with contextlib.closing(sqlite3.connect(path)) as connection:
                index = pages(path, "sqlite_autoindex_seconds_1", "internal")
                busy, _, _ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
                assert not busy
                garble(path, [*index, *pages(path, "sqlite_autoindex_seconds_1")])
            play(master, 200, [(2.2, GOOD), (0.3, BAD), (2.5, GOOD), (0.7, QUIET)])
            play(master, 200, [(1.5, QUIET), (1.5, GOOD), (2.5, QUIET)])
            told = alarms_told(daemon)
            code, said = daemon.stop()
        finally:
            daemon.kill()
        series = exported_series(server)
    assert code == 0, said
    aside = named(said, path)
    assert aside.exists()
    assert sound(path)
    after = rows(path, "transmissions")
    assert after[: len(before)] == before
    assert len(after) == len(before) + 3
    assert len(told) == len(set(told))
    assert ("high-swr", "raised") in told
    assert len(of_limits(path)) == 2
    assert_all_pairs_are_there(path)
    # The forwarder has gone over to the new file, too.
    assert len(series["transmission_energy_j"]) == len(after)
    assert len(series["second_forward_w"]) == len(rows(path, "seconds"))


def test_a_store_of_which_nothing_is_left(tmp_path: Path) -> None:
    path = tmp_path / "data/station.sqlite"
    path.parent.mkdir()
    path.with_name("station.sqlite.lock").touch()  # what is left of the last run
    text = b"neither a header nor a page\n" * 300
    path.write_bytes(text)
    (tmp_path / "pairs.csv").write_text("time_s,forward_v,reflected_v\n1780000000.0,0.0,0.0\n")
    config = config_on(tmp_path, "", driver="{kind: replay, path: pairs.csv}")
    done = mismatchd("run", "-c", config)
    assert "not a database" in done.stderr
    assert "starts with nothing" in done.stderr
    assert named(done.stderr, path).read_bytes() == text
    assert sound(path)
    assert len(archived(path)) == 1


def test_a_salvage_that_was_cut_off_is_begun_again(
    recorded: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = copied(recorded, tmp_path)
    before = rows(path, "transmissions")
    garble(path, pages(path, "seconds")[2:4])

    def cut_off(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    for name in ("salvage", "exchange"):
        with monkeypatch.context() as patch:
            patch.setattr(salvage, name, cut_off)
            with pytest.raises(KeyboardInterrupt):
                StoreWriter.salvage(path)
        assert path.exists()
    renamed = Path.rename

    def rename(self: Path, target: Path) -> Path:
        if self.name.endswith(".new"):
            raise KeyboardInterrupt
        return renamed(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", rename)
        with pytest.raises(KeyboardInterrupt):
            StoreWriter.salvage(path)
    assert not path.exists()
    StoreWriter.open(path).close()
    assert sound(path)
    assert rows(path, "transmissions") == before
    assert not list(path.parent.glob("*.new*"))


def test_a_check_for_damage_leaves_the_locks_of_the_process(tmp_path: Path) -> None:
    """Otherwise the next process would take its connection for the last, and delete the log."""
    path = tmp_path / "station.sqlite"
    with StoreWriter.open(path) as store:
        store.write([transmission()])
        assert salvage.is_sound(path)
        script = "import sqlite3, sys; sqlite3.connect(sys.argv[1]).execute('SELECT 1 FROM alarms')"
        subprocess.run([sys.executable, "-c", script, path], check=True)
        assert path.with_name("station.sqlite-wal").stat().st_size > 0
        store.write([transmission(T0 + 10 * SECOND)])
    assert len(rows(path, "transmissions")) == 2


def test_alarms_are_told_while_a_store_is_salvaged(recorded: Path, tmp_path: Path) -> None:
    path = copied(recorded, tmp_path)
    before = rows(path, "transmissions")
    garble(path, pages(path, "seconds")[2:4])
    told: list[Event] = []
    during: list[list[Event]] = []
    ended = True

    def meanwhile() -> None:
        if ended:
            raise StoreError("the daemon is to end")
        if not during:
            keeper.add([alarm("raised", T0, start_ns=None)], 100.0)
        during.append(list(told))

    def open_store(damaged: bool) -> StoreWriter:
        return StoreWriter.salvage(path, meanwhile) if damaged else StoreWriter.open(path)

    keeper = Keeper(open_store, Reporter(told.append), Retention(EVER_NS))
    assert keeper.failure is not None
    assert "is damaged" in keeper.failure
    keeper.commit_due(1.0)
    assert keeper.failure == "the daemon is to end"
    ended = False
    keeper.commit_due(99.0)
    assert keeper.failure is None
    assert [event.change for event in told if isinstance(event, AlarmEvent)] == ["raised"]
    assert during[0] == told
    keeper.close()
    assert len(of_limits(path)) == 1
    assert rows(path, "transmissions") == before


def test_new_rows_are_delivered_though_lost_ones_had_their_ids(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    store = StoreWriter.open(path)
    outbox = Outbox(store.database)
    store.write([transmission(), *(second(T0 + k * SECOND) for k in range(500))])
    outbox.begin("any")
    done = outbox.position("any", SECONDS)._replace(live=500)
    assert outbox.save("any", SECONDS, done, None)
    store.close()
    garble(path, pages(path, "seconds")[-3:])
    store = StoreWriter.salvage(path)
    outbox = Outbox(store.database)
    kept = store.counts()["seconds"]
    assert 0 < kept < 500
    store.write([transmission(), second(T0 + 1000 * SECOND)])
    assert outbox.position("any", SECONDS).live <= kept
    assert outbox.totals("any").backlog >= 1
    store.close()


# the folder and the lock


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    folder.mkdir()
    (tmp_path / "pairs.csv").write_text("time_s,forward_v,reflected_v\n1780000000.0,0.0,0.0\n")
    config = config_on(tmp_path, "", driver="{kind: replay, path: pairs.csv}")
    if os.geteuid() == 0:  # whom no permission stops
        done = mounted(folder, "ro")
        if done.returncode:
            pytest.skip(f"no mounts here: {done.stderr.decode().strip()}")
    else:
        folder.chmod(0o555)
    try:
        failed = mismatchd("run", "-c", config, check=False)
    finally:
        if os.geteuid() == 0:
            subprocess.run(["umount", str(folder)], check=True)
        else:
            folder.chmod(0o755)
    assert failed.returncode == 1
    (said,) = failed.stderr.splitlines()
    assert re.search("Read-only|Permission", said)
    assert f"must be able to write to {folder}" in said


def test_a_store_that_another_daemon_keeps(tmp_path: Path) -> None:
    with pty() as (master, name):
        config = config_on(tmp_path, name)
        daemon = Running(config)
        try:
            play_until_read(daemon, config, master)
            for command in ("run", "recompute"):
                failed = mismatchd(command, "-c", config, check=False)
                assert failed.returncode == 1
                (said,) = failed.stderr.splitlines()
                assert f"(pid {daemon.process.pid})" in said
            assert daemon.process.poll() is None
        finally:
            daemon.kill()


def test_errors_of_the_disk_are_told_apart(tmp_path: Path) -> None:
    with disk("tmpfs", tmp_path / "disk") as small:
        store = StoreWriter.open(small.folder / "station.sqlite")
        small.fill()
        before = use_up(store)
        small.free()
        assert store.write([transmission()])
        there = [r.columns["samples"] for r in store.records(TRANSMISSIONS, *ALWAYS)]
        assert there == [600] * (before + 1)
        assert list(store.records(SECONDS, *ALWAYS)) == list(store.records(ALARMS, *ALWAYS)) == []
        store.close()
