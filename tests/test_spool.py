"""Rows in the spool survive a kill, are stored once, and wear the card less than commits."""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from logger.rows import Boot, ClockChange, Excursion, Health, Row, Trust, WeatherRow
from logger.service import keeper as timing
from logger.service.keeper import Keeper
from logger.service.log_sync import LogSync
from logger.service.reporter import Reporter
from logger.service.retention import Retention
from logger.store.lock import StoreLock
from logger.store.reader import Store
from logger.store.spool import FULL_BYTES
from logger.store.writer import StoreWriter
from tests.test_backlog import samples
from tests.test_store import SECOND, T0, alarm, second, transmission

EVER_NS = 1 << 62
NEVER_MADE = ("station",)  # the id differs


def health(time_ns: int) -> Health:
    return Health(
        time_ns=time_ns,
        duration_s=60.0,
        pairs=12_000,
        pairs_per_s=200.0,
        gaps=0,
        input_dropped=0,
        queue_max=1,
        rows_dropped=0,
        commits=3,
        commit_ms_mean=2.5,
        commit_ms_max=np.float64(4.5),  # as it may come from numpy
        commits_failed=0,
        clock_synchronised=True,
        clock_step_ms=0.0,
        forwarder_backlog=None,
    )


ROWS: list[Row] = [
    samples(0, 300, begins=True),
    transmission(ended=False),
    second(T0),
    second(T0 + SECOND, swr=1.5),
    Excursion(time_ns=T0 + SECOND, duration_ms=2.0, swr_peak=4.0, swr_beside=1.2),
    samples(300, 300),
    health(T0),
    WeatherRow(time_ns=T0, temperature_c=-3.5),
]


def content(path: Path) -> dict[str, list[Any]]:
    connection = sqlite3.connect(path)
    names = [
        name
        for (name,) in connection.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
        )
    ]
    found = {
        name: connection.execute(f"SELECT * FROM {name}").fetchall()
        for name in names
        if name not in NEVER_MADE
    }
    connection.close()
    return found


def spooled(path: Path, *batches: Sequence[Row]) -> bytes:
    """Spool rows that are never committed; return the content of the spool."""
    with StoreWriter.open(path) as store:
        for rows in batches:
            store.spool.append(rows, is_synced=False)
        return store.spool.path.read_bytes()


def test_rows_left_in_the_spool_are_stored_as_if_committed(tmp_path: Path) -> None:
    path, plain = tmp_path / "spooled.sqlite", tmp_path / "plain.sqlite"
    spooled(path, ROWS[:4], ROWS[4:])
    with StoreWriter.open(plain) as store:
        store.write(ROWS)
    for _ in range(2):  # they are stored once
        StoreWriter.open(path).close()
        after = content(path)
        assert after["segments"] == content(plain)["segments"]
        assert after == content(plain)
    assert len(after["seconds"]) == 2
    assert len(after["health"]) == 1


def test_figures_from_the_spool_are_those_of_a_commit(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    rows: list[Row] = [transmission(ended=False)]
    for number, size in enumerate(np.geomspace(1e-7, 1e7, 200).tolist()):
        low, halfway = float(rng.random()) * size, round(size, 3) + 0.00005
        rows.append(second(T0 + number * SECOND, swr=low, forward_w=halfway, forward_v=low))
    rows.append(transmission(forward_w_mean=1.00005, swr=None, energy_j=1e9 / 3))
    spooled(tmp_path / "spooled.sqlite", *([row] for row in rows))
    StoreWriter.open(tmp_path / "spooled.sqlite").close()
    with StoreWriter.open(tmp_path / "plain.sqlite") as store:
        store.write(rows)
    assert content(tmp_path / "spooled.sqlite") == content(tmp_path / "plain.sqlite")


def test_frames_that_are_alike_are_small(tmp_path: Path) -> None:
    with StoreWriter.open(tmp_path / "station.sqlite") as store:
        for number in range(10):
            begin = store.spool.size
            rows = [transmission(ended=False), second(T0 + number * SECOND)]
            store.spool.append(rows, is_synced=False)
        assert store.spool.size - begin < 60


def test_a_frame_that_was_not_written_is_not_continued(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> int:
        raise OSError(errno.ENOSPC, "full")

    with StoreWriter.open(tmp_path / "station.sqlite") as store:
        store.spool.append([health(T0)], is_synced=False)
        with monkeypatch.context() as patched:
            patched.setattr(os, "pwrite", fail)
            with pytest.raises(OSError, match="full"):
                store.spool.append([health(T0 + SECOND)], is_synced=False)
        store.spool.append([health(T0 + 2 * SECOND)], is_synced=False)
        times = [row.time_ns for row in store.spool.read() if isinstance(row, Health)]
        assert times == [T0, T0 + 2 * SECOND]


def test_who_reads_after_a_kill_finds_what_was_spooled(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    spooled(path, ROWS)
    lock = StoreLock(path)  # of a daemon, which is going to store them
    with Store.reader(path) as store:
        assert not store.database.query("SELECT 1 FROM seconds")
    lock.release()
    with Store.reader(path) as store:
        assert len(store.database.query("SELECT 1 FROM seconds")) == 2
        assert store.database.query_value("SELECT sum(pairs) FROM segments") == 600
    assert not Path(f"{path}-spool").exists()


def test_the_spool_ends_where_a_power_cut_has_torn_it(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    with StoreWriter.open(path) as store:
        spool = store.spool
        ends = []
        for number in range(3):
            spool.append([health(T0 + number * SECOND)], is_synced=False)
            ends.append(spool.size)
        data = spool.path.read_bytes()
        assert data.rstrip(b"\0") == data[: ends[-1]].rstrip(b"\0")
        for place in sorted({*range(0, ends[-1], 5), *ends[:-1]}):
            for torn in (
                data[:place],
                data[:place] + bytes(512),
                data[:place] + bytes([data[place] ^ 8]) + data[place + 1 :],
            ):
                spool.path.write_bytes(torn)
                whole = [T0 + n * SECOND for n, end in enumerate(ends) if end <= place]
                assert [row.time_ns for row in spool.read()][: len(whole) + 1] == whole


def test_rows_spooled_after_a_restart_follow_those_before(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    for number in range(3):
        spooled(path, [health(T0 + number * SECOND)])
    with StoreWriter.open(path) as store:
        times = store.database.query("SELECT time_ns FROM health")
        assert times == [(T0,), (T0 + SECOND,), (T0 + 2 * SECOND,)]
        store.spool.committed = 0
        assert len(store.spool.read()) == 3  # nothing said that their commits were synced


def test_the_spool_is_used_anew_once_its_rows_are_synced(tmp_path: Path) -> None:
    with StoreWriter.open(tmp_path / "station.sqlite") as store:
        spool = store.spool
        spool.append([health(T0)], is_synced=True)
        size = spool.size
        spool.append([health(T0 + SECOND)], is_synced=True)  # the first is not committed
        assert spool.size > size
        store.write([health(T0), health(T0 + SECOND)])
        spool.append([health(T0 + 2 * SECOND)], is_synced=False)
        assert spool.size > size + 30
        store.write([health(T0 + 2 * SECOND)])
        spool.append([health(T0 + 3 * SECOND)], is_synced=True)
        assert abs(spool.size - size) < 20
        assert [row.time_ns for row in spool.read()] == [T0 + 3 * SECOND]
        assert spool.path.stat().st_size == FULL_BYTES


def test_the_spool_of_another_station_is_ignored(tmp_path: Path) -> None:
    path, other = tmp_path / "station.sqlite", tmp_path / "other.sqlite"
    spooled(path, ROWS)
    StoreWriter.open(other).close()
    other.replace(path)
    with StoreWriter.open(path) as store:
        assert store.counts()["seconds"] == 0
        store.spool.append([health(T0)], is_synced=False)
    with StoreWriter.open(path) as store:
        assert store.database.query_value("SELECT count(*) FROM health") == 1


def test_seconds_of_an_older_copy_of_the_store_do_not_stop_it(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    spooled(path, [second(T0)])  # their transmission is in the newer one
    with StoreWriter.open(path) as store:
        assert store.counts()["seconds"] == 0


# --- the keeper ---


@pytest.fixture
def kept(tmp_path: Path) -> tuple[Keeper, Callable[[], dict[str, list[Any]]]]:
    path = tmp_path / "station.sqlite"
    keeper = Keeper(
        lambda _: StoreWriter.open(path),
        Reporter(lambda event: None),
        Retention(EVER_NS),
        sync=LogSync(path, 60.0),
    )
    return keeper, lambda: content(path)


def test_what_nobody_waits_for_is_spooled_soon_and_committed_late(kept) -> None:
    keeper, stored = kept
    keeper.add([health(T0)], 0.0)
    assert keeper.wait_s(0.0) == timing.SPOOL_S
    assert keeper.commit_due(timing.SPOOL_S) is None
    assert not keeper.has_new_rows
    assert keeper.has_rows
    assert stored()["health"] == []
    assert keeper.commit_due(timing.QUIET_S) is True
    assert len(stored()["health"]) == 1
    assert not keeper.store.spool.has_rows


def test_what_others_follow_is_committed_within_seconds_and_alarms_at_once(kept) -> None:
    keeper, stored = kept
    keeper.add(ROWS[:4], 0.0)
    keeper.commit_due(timing.SPOOL_S)
    assert stored()["seconds"] == []
    keeper.add([alarm("raised", T0 + SECOND)], 2.0)
    assert keeper.commit_due(2.0) is True
    assert len(stored()["alarms"]) == 1
    assert stored()["seconds"] == []
    assert keeper.commit_due(2.0 + timing.REST_S) is True
    assert len(stored()["seconds"]) == 2
    keeper.add([second(T0 + 2 * SECOND)], 3.0)
    assert keeper.commit_due(3.0 + timing.FOLLOWED_S) is True
    assert len(stored()["seconds"]) == 3


def test_pairs_of_a_transmission_wait_for_its_end_or_an_event(kept) -> None:
    keeper, stored = kept

    def pairs() -> int:
        return sum(row[2] for row in stored()["segments"])

    keeper.add([*ROWS[:2], second(T0), health(T0)], 0.0)
    keeper.commit_due(timing.SPOOL_S)
    assert keeper.wait_s(timing.SPOOL_S) == timing.FOLLOWED_S - timing.SPOOL_S
    assert keeper.commit_due(timing.FOLLOWED_S) is True
    assert (len(stored()["seconds"]), pairs(), len(stored()["health"])) == (1, 0, 0)
    assert keeper.wait_s(timing.FOLLOWED_S) == timing.QUIET_S - timing.FOLLOWED_S
    keeper.add([ROWS[4], second(T0 + SECOND)], 30.0)  # an excursion, of which a capture is made
    assert keeper.commit_due(30.0 + timing.SPOOL_S) is True
    assert (len(stored()["seconds"]), pairs()) == (2, 300)
    keeper.add([ROWS[5], second(T0 + 2 * SECOND)], 40.0)  # its end is a part of the capture
    assert keeper.commit_due(40.0 + timing.FOLLOWED_S) is True
    assert (len(stored()["seconds"]), pairs()) == (3, 600)
    keeper.add([samples(600, 300), second(T0 + 3 * SECOND)], 60.0)
    assert keeper.commit_due(60.0 + timing.FOLLOWED_S) is True
    assert (len(stored()["seconds"]), pairs()) == (4, 600)
    keeper.add([transmission()], 90.0)
    assert keeper.commit_due(90.0) is True
    assert (pairs(), len(stored()["health"])) == (900, 1)
    assert not keeper.store.spool.has_rows


@pytest.mark.parametrize("killed_after", ["spooled", "followed", "alarm", "all"])
def test_a_kill_loses_no_spooled_row_and_doubles_none(kept, tmp_path: Path, killed_after) -> None:
    keeper, stored = kept
    keeper.add(ROWS, 0.0)
    keeper.commit_due(timing.SPOOL_S)
    if killed_after == "followed":
        keeper.commit_due(timing.FOLLOWED_S)
    if killed_after in ("alarm", "all"):
        later = msgspec.structs.replace(transmission(ended=False), end_ns=T0 + 4 * SECOND)
        keeper.add([later, alarm("raised", T0 + SECOND)], 2.0)
        keeper.commit_due(2.0)
    if killed_after == "all":
        keeper.commit_due(2.0 + timing.REST_S)
    path = tmp_path / "station.sqlite"
    StoreWriter.open(path).close()  # as the next run finds it
    after = stored()
    assert [len(after[name]) for name in ("seconds", "health", "weather", "excursions")] == [
        2,
        1,
        1,
        1,
    ]
    assert (
        after["transmissions"][0][2] == T0 + (4 if killed_after in ("alarm", "all") else 3) * SECOND
    )
    with StoreWriter.open(path) as store:
        assert store.archive.pairs() == 600


def test_a_change_of_the_clock_is_committed_at_once(kept) -> None:
    keeper, _ = kept
    keeper.add([health(T0)], 0.0)
    keeper.commit_due(timing.SPOOL_S)
    keeper.add([ClockChange(Boot("boot", Trust.FOLLOWED, 0, 0, 0))], 3.0)
    assert keeper.commit_due(3.0) is True
    assert not keeper.store.spool.has_rows


def test_without_a_spool_rows_are_committed_as_soon(kept) -> None:
    keeper, stored = kept
    assert keeper.store is not None
    keeper.store.spool.path.mkdir()
    keeper.add([health(T0)], 0.0)
    keeper.commit_due(timing.SPOOL_S)
    assert keeper.commit_due(timing.SPOOL_S) is True
    assert len(stored()["health"]) == 1


def test_a_failed_sync_has_spooled_rows_committed(kept) -> None:
    keeper, stored = kept
    keeper.add([health(T0)], 0.0)
    keeper.commit_due(timing.SPOOL_S)
    keeper._sync.failures += 1
    assert keeper.commit_due(2.0) is True
    assert len(stored()["health"]) == 1
    keeper.add([health(T0 + SECOND)], 3.0)
    assert keeper.commit_due(3.0 + timing.SPOOL_S) is None  # spooled again


def test_a_full_spool_is_committed_and_used_anew_once_that_is_synced(kept) -> None:
    keeper, _ = kept
    noise = np.random.default_rng(1)
    now_s = 0.0

    def spool() -> int:
        nonlocal now_s
        row = samples(10_000 * round(now_s), 10_000)
        row.block.forward_v[:] = noise.normal(size=10_000)
        keeper.add([row], now_s)
        now_s += timing.SPOOL_S
        committed = keeper.commit_due(now_s)
        assert keeper.store is not None
        assert (committed is True) == (not keeper.store.spool.has_rows)
        return keeper.store.spool.size

    size = spool()
    assert size > FULL_BYTES
    assert keeper.commit_due(now_s) is True
    assert [spool() for _ in range(3)] == [size] * 3  # committed instead
    keeper._sync._sync()
    assert spool() < 1.1 * size
