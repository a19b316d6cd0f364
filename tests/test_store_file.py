"""The store's file: whose it is, what happens to it under the daemon, copies of it."""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import sqlite3
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.errors import ForeignFileError, MismatchdError, StoreError, StoreInUseError
from logger.rows import Memory
from logger.service.keeper import Keeper
from logger.service.reporter import Reporter
from logger.service.retention import Retention
from logger.store import backup
from logger.store.backup import back_up, restore
from logger.store.lock import StoreLock
from logger.store.ownership import APPLICATION_ID, expect_ours
from logger.store.reader import Store
from logger.store.tables import Event
from logger.store.writer import StoreWriter
from tests.old_stores import VERSIONS, old_store
from tests.station import CALIBRATION, Running, mismatchd, pty, write_config
from tests.test_end_to_end import QUIET, play, play_until_read
from tests.test_store import SECOND, T0, alarm, transmission

pytestmark = pytest.mark.realtime

EVER_NS = 1 << 62


def foreign_database(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE recipes (id INTEGER PRIMARY KEY, text TEXT)")
        connection.execute("INSERT INTO recipes (text) VALUES ('soup')")
    connection.close()


def foreign_log(path: Path) -> None:
    foreign_database(path)
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
    connection.close()


def other_program(path: Path) -> None:
    foreign_database(path)
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA application_id = 7")
    connection.close()


FOREIGN: list[Callable[[Path], object]] = [
    lambda path: path.write_text(CALIBRATION),
    lambda path: path.write_bytes(os.urandom(5000)),
    foreign_database,
    foreign_log,
    other_program,
]


@pytest.mark.parametrize("make", FOREIGN)
def test_a_file_that_was_never_a_store_is_refused_untouched(
    tmp_path: Path, make: Callable[[Path], object]
) -> None:
    path = tmp_path / "thing"
    make(path)
    content = path.read_bytes()
    driver = "{kind: replay, path: none.csv}"
    config = write_config(tmp_path, "none", store=f"{{path: '{path}'}}", driver=driver)
    (tmp_path / "none.csv").write_text("time_s,forward_v,reflected_v\n1772391600,0,0\n")
    files = set(tmp_path.iterdir())
    for _ in range(2):  # the first must not leave anything that convinces the second
        done = mismatchd("run", "-c", config, check=False)
        assert done.returncode == 2
        assert "not a store of this program" in done.stderr
    assert path.read_bytes() == content
    assert set(tmp_path.iterdir()) == files


def test_stores_are_recognised(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    with StoreWriter.open(path) as store:
        assert store.database.query_value("PRAGMA application_id") == APPLICATION_ID
        expect_ours(path)  # all of it but the header is in the log
        store.write([transmission()])
    expect_ours(path)
    expect_ours(old_store(tmp_path / "old", 1))
    content = bytearray(path.read_bytes())
    content[:512] = os.urandom(512)
    path.write_bytes(content)
    expect_ours(path)  # damaged, but ours
    path.write_bytes(os.urandom(5000))
    with pytest.raises(ForeignFileError):
        expect_ours(path)
    StoreLock(tmp_path / "other.sqlite").release()
    shutil.copy(path, tmp_path / "other.sqlite")
    StoreLock(tmp_path / "other.sqlite").release()  # a daemon has used it before


def test_a_newer_store_is_wrong_usage(tmp_path: Path) -> None:
    config = write_config(tmp_path, "none")
    path = tmp_path / "data/station.sqlite"
    with StoreWriter.open(path) as store:
        store.database.execute("PRAGMA user_version = 999")
    done = mismatchd("run", "-c", config, check=False)
    assert done.returncode == 2, done.stderr
    assert "use a newer program" in done.stderr


def test_the_lock_follows_no_link_and_is_for_its_owner(tmp_path: Path) -> None:
    path, victim = tmp_path / "station.sqlite", tmp_path / "victim"
    victim.write_text("precious")
    (tmp_path / "station.sqlite.lock").symlink_to(victim)
    with pytest.raises(StoreError):
        StoreLock(path)
    assert victim.read_text() == "precious"
    (tmp_path / "station.sqlite.lock").unlink()
    lock = StoreLock(path)
    assert stat.S_IMODE((tmp_path / "station.sqlite.lock").stat().st_mode) == 0o600
    lock.release()


def test_a_lock_that_was_removed_is_acquired_again(tmp_path: Path) -> None:
    path = tmp_path / "data/station.sqlite"
    lock = StoreLock(path)
    assert not lock.ensure()
    shutil.rmtree(path.parent)
    assert lock.ensure()
    assert not lock.ensure()
    with pytest.raises(StoreInUseError):
        StoreLock(path)
    (path.parent / "station.sqlite.lock").unlink()
    other = StoreLock(path)
    with pytest.raises(StoreInUseError, match="a running daemon"):
        lock.ensure()
    other.release()
    assert lock.ensure()
    lock.release()


# Under the daemon.


def test_a_folder_removed_under_the_daemon_is_created_again(tmp_path: Path) -> None:
    with pty() as (master, name):
        config = write_config(tmp_path, name, transmission="{hang_ms: 300}")
        daemon = Running(config)
        try:
            play_until_read(daemon, config, master)
            play(master, 200, [(0.3, QUIET), (1.0, (4.0, 0.05)), (0.7, QUIET)])
            daemon.wait_events(1, event="transmission")
            shutil.rmtree(tmp_path / "data")
            daemon.wait_status(config, lambda status: status.pid == daemon.process.pid)
            failed = mismatchd("run", "-c", config, check=False)
            assert (failed.returncode, "a running daemon" in failed.stderr) == (1, True)
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0, said
    assert said.count("the lock was removed, perhaps with the whole folder") == 1
    assert "Traceback" not in said
    with Store.reader(tmp_path / "data/station.sqlite") as store:
        assert store.counts()["transmissions"] == 1


def test_two_daemons_never_share_a_store(tmp_path: Path) -> None:
    path = tmp_path / "data/station.sqlite"
    with pty() as (master, name):
        config = write_config(tmp_path, name)
        daemon = Running(config)
        try:
            play_until_read(daemon, config, master)
            aside = tmp_path / "aside"
            path.parent.rename(aside)
            other = StoreLock(path)  # before the daemon looks
            path.write_text("")
            code = daemon.process.wait(30)
            said = daemon.process.stderr.read().decode()
        finally:
            daemon.kill()
    other.release()
    assert code == 1, said
    assert "a running daemon uses this store" in said
    assert "Traceback" not in said
    assert path.read_text() == ""  # untouched


def delete(path: Path) -> None:
    path.unlink()


def delete_all(path: Path) -> None:
    shutil.rmtree(path.parent)


def rename(path: Path) -> None:
    path.rename(path.with_name("old.sqlite"))


def rename_all(path: Path) -> None:
    for suffix in ("", "-wal", "-shm"):
        path.with_name(path.name + suffix).rename(path.with_name("old.sqlite" + suffix))


def replace_by_store(path: Path) -> None:
    other = path.with_name("other.sqlite")
    with StoreWriter.open(other) as store:
        store.write([transmission(T0 - 100 * SECOND)])
    other.rename(path)


def replace_by_text(path: Path) -> None:
    path.unlink()
    path.write_text("nothing of ours")


@pytest.mark.parametrize(
    "displace", [delete, delete_all, rename, rename_all, replace_by_store, replace_by_text]
)
def test_a_store_that_is_taken_away_returns_with_all_rows(
    tmp_path: Path, displace: Callable[[Path], None], caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "data/station.sqlite"
    reported: list[Event] = []
    keeper = Keeper(
        lambda damaged: StoreWriter.open(path), Reporter(reported.append), Retention(EVER_NS)
    )
    keeper.add([transmission(), alarm("raised", T0), Memory("rule", b"{}")], 0.0)
    assert keeper.commit_due(1.0)
    displace(path)
    keeper.add([transmission(T0 + 10 * SECOND)], 2.0)
    assert keeper.commit_due(3.0)
    assert str(path) in caplog.text
    keeper.add([transmission(T0 + 20 * SECOND), alarm("cleared", T0 + 20 * SECOND)], 4.0)
    assert keeper.commit_due(5.0)
    with Store.reader(path) as store:
        counts = store.counts()
        assert (counts["transmissions"], counts["alarms"]) == (3, 1)
        assert store.open_alarms() == []
        assert store.memories() == {"rule": b"{}"}
        assert store.database.query_value("PRAGMA integrity_check") == "ok"
    keeper.close()
    with Store.reader(path) as store:
        assert store.counts() == counts
    asides = list(path.parent.glob("*.replaced-*"))
    assert len(asides) == displace.__name__.startswith("replace")


# Copies.


def test_a_backup_is_made_while_rows_are_written_and_restored(tmp_path: Path) -> None:
    config = write_config(tmp_path, "none")
    path, target = tmp_path / "data/station.sqlite", tmp_path / "copy.sqlite"
    with StoreWriter.open(path) as store:
        store.write([transmission(), alarm("raised", T0)])
        lock = StoreLock(path)
        done = mismatchd("backup", target, "-c", config)
        assert "1 transmission, 0 seconds, 0 faults, 1 alarm" in done.stderr
        store.write([transmission(T0 + 10 * SECOND)])
        assert mismatchd("restore", target, "-c", config, check=False).returncode == 1
        lock.release()
    assert {piece.name for piece in tmp_path.iterdir()} == {
        "config.yaml",
        "coupler.yaml",
        "copy.sqlite",
        "data",
    }
    assert (
        "the former store is station.sqlite.replaced-"
        in mismatchd("restore", target, "-c", config).stderr
    )
    with Store.reader(path) as store:
        assert store.counts()["transmissions"] == 1
    (aside,) = path.parent.glob("*.replaced-*")
    with Store.reader(aside) as store:
        assert store.counts()["transmissions"] == 2
    with StoreWriter.open(path) as store:
        store.write([transmission(T0 + 20 * SECOND)])


def test_a_backup_replaces_only_a_backup(tmp_path: Path) -> None:
    path, target = tmp_path / "station.sqlite", tmp_path / "copy.sqlite"
    with StoreWriter.open(path) as store:
        store.write([transmission()])
    with pytest.raises(StoreError, match="the store itself"):
        back_up(path, path)
    target.write_text("precious")
    with pytest.raises(ForeignFileError):
        back_up(path, target)
    assert target.read_text() == "precious"
    with pytest.raises(ForeignFileError, match="Name a copy"):
        restore(path, target)
    with pytest.raises(StoreError, match="its folder does not exist"):
        back_up(path, tmp_path / "none" / "copy.sqlite")
    target.unlink()
    back_up(path, target)
    back_up(path, target)
    with pytest.raises(StoreError, match="no store"):
        back_up(tmp_path / "none.sqlite", target)


def test_a_backup_replaces_no_store_of_another_station(tmp_path: Path) -> None:
    path, other = tmp_path / "station.sqlite", tmp_path / "other.sqlite"
    for station, rows in ((path, 1), (other, 2)):
        lock = StoreLock(station)
        with StoreWriter.open(station) as store:
            store.write([transmission(T0 + n * SECOND) for n in range(rows)])
        lock.release()
    with pytest.raises(StoreError, match="another station"):
        back_up(path, other)
    with Store.reader(other) as store:
        assert store.counts()["transmissions"] == 2


@pytest.mark.parametrize("make", [Path.mkdir, os.mkfifo])
def test_only_files_are_replaced(tmp_path: Path, make: Callable[[Path], object]) -> None:
    path, copy, other = (tmp_path / name for name in ("station.sqlite", "copy.sqlite", "other"))
    StoreWriter.open(path).close()
    back_up(path, copy)
    make(other)
    inode = other.stat().st_ino
    with pytest.raises(ForeignFileError, match="no regular file"):
        back_up(path, other)
    with pytest.raises(ForeignFileError, match="no regular file"):
        restore(other, copy)
    with pytest.raises(ForeignFileError, match="no regular file"):
        restore(path, other)
    assert other.stat().st_ino == inode
    assert {piece.name for piece in tmp_path.iterdir()} == {path.name, copy.name, other.name}


def test_backups_do_not_mix(tmp_path: Path) -> None:
    path, target = tmp_path / "station.sqlite", tmp_path / "copies/copy.sqlite"
    StoreWriter.open(path).close()
    target.parent.mkdir()
    other = os.open(target.parent, os.O_RDONLY)
    fcntl.flock(other, fcntl.LOCK_EX)
    try:
        with pytest.raises(StoreError, match="another backup is being written"):
            back_up(path, target)
    finally:
        os.close(other)
    assert not list(target.parent.iterdir())
    back_up(path, target)


def test_each_restore_leaves_the_former_store(tmp_path: Path) -> None:
    path, target = tmp_path / "station.sqlite", tmp_path / "copy.sqlite"
    with StoreWriter.open(path) as store:
        store.write([transmission()])
    back_up(path, target)
    with StoreWriter.open(path) as store:
        store.write([transmission(T0 + 10 * SECOND)])
    asides = [restore(path, target) for _ in range(3)]  # within a second or two
    assert len(set(asides)) == 3
    assert asides[0] is not None
    with Store.reader(asides[0]) as store:
        assert store.counts()["transmissions"] == 2


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (None, "copy.sqlite: cannot be read: No such file"),
        (b"", "copy.sqlite is empty; name a copy"),
        (bytes(4096), "copy.sqlite: cannot be read: file is not a database"),
        (b"precious", "Name a copy made by `mismatchd backup`"),
    ],
)
def test_what_is_no_backup_is_not_restored(
    tmp_path: Path, content: bytes | None, reason: str
) -> None:
    path, source = tmp_path / "station.sqlite", tmp_path / "copy.sqlite"
    with StoreWriter.open(path) as store:
        store.write([transmission()])
    before = path.read_bytes()
    if content is not None:
        source.write_bytes(content)
    with pytest.raises(MismatchdError, match=reason):
        restore(path, source)
    assert path.read_bytes() == before
    assert not list(tmp_path.glob("*.replaced-*"))


@pytest.mark.skipif(os.geteuid() != 0, reason="only root gives files away")
def test_root_leaves_store_and_lock_to_the_owner_of_the_folder(tmp_path: Path) -> None:
    path, target = tmp_path / "station.sqlite", tmp_path / "copy.sqlite"
    StoreWriter.open(path).close()
    back_up(path, target)
    folder = tmp_path / "data"
    folder.mkdir()
    os.chown(folder, 1234, 1234)
    restore(folder / "station.sqlite", target)
    assert {piece.name: piece.stat().st_uid for piece in folder.iterdir()} == {
        "station.sqlite": 1234,
        "station.sqlite.lock": 1234,
    }


@pytest.mark.parametrize("renames", range(4))
def test_a_restore_that_is_killed_leaves_the_old_store_or_the_new(
    tmp_path: Path,
    renames: int,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    folder, path = tmp_path / "data", tmp_path / "data/station.sqlite"
    with StoreWriter.open(path) as store:
        store.write([transmission()])
        back_up(path, tmp_path / "copy.sqlite")
        store.write([transmission(T0 + 10 * SECOND), transmission(T0 + 20 * SECOND)])
        shutil.copytree(folder, tmp_path / "killed")  # with a log, as a kill leaves it
    shutil.rmtree(folder)
    (tmp_path / "killed").rename(folder)
    rename, left = Path.rename, renames

    def rename_or_die(self: Path, target: Path) -> Path:
        nonlocal left
        if not left:
            raise KeyboardInterrupt
        left -= 1
        return rename(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", rename_or_die)
        with pytest.raises(KeyboardInterrupt):
            restore(path, tmp_path / "copy.sqlite")
    StoreWriter.open(path).close()
    is_restored = renames >= 2
    with Store.reader(path) as store:
        assert store.counts()["transmissions"] == (1 if is_restored else 3)
    asides = [aside for aside in folder.glob("*.replaced-*Z*") if aside.name.endswith("Z")]
    assert len(asides) == is_restored
    for aside in asides:
        assert aside.name in caplog.text
        with Store.reader(aside) as store:
            assert store.counts()["transmissions"] == 3
    assert ("interrupted restore or salvage" in caplog.text) == (renames > 0)
    caplog.clear()
    StoreWriter.open(path).close()
    assert caplog.text == ""


def test_a_restore_to_an_empty_folder_that_is_killed_is_completed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, new = tmp_path / "station.sqlite", tmp_path / "data/station.sqlite"
    with StoreWriter.open(path) as store:
        store.write([transmission()])
    back_up(path, tmp_path / "copy.sqlite")

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(backup, "exchange", interrupt)
        with pytest.raises(KeyboardInterrupt):
            restore(new, tmp_path / "copy.sqlite")
    with StoreWriter.open(new) as store:
        assert store.counts()["transmissions"] == 1


def test_a_store_of_an_older_version_is_backed_up_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    config = write_config(tmp_path, "none")
    path, target = tmp_path / "data/station.sqlite", tmp_path / "copy.sqlite"
    old_store(path, VERSIONS[0])
    done = mismatchd("backup", target, "-c", config)
    assert "3 transmissions" in done.stderr
    for store in (path, target):
        with contextlib.closing(sqlite3.connect(store)) as connection:
            assert connection.execute("PRAGMA user_version").fetchone() == (VERSIONS[0],)
    mismatchd("restore", target, "-c", config)
    with StoreWriter.open(path) as store:
        assert store.counts()["transmissions"] == 3


def test_a_damaged_store_is_no_backup(tmp_path: Path) -> None:
    path, target = tmp_path / "station.sqlite", tmp_path / "copy.sqlite"
    with StoreWriter.open(path) as store:
        store.write([transmission(T0 + n * SECOND) for n in range(200)])
    back_up(path, target)
    good = target.read_bytes()
    content = bytearray(path.read_bytes())
    for place in range(20 * 512, len(content), 1024):
        content[place : place + 64] = bytes(64)
    path.write_bytes(content)
    with pytest.raises(StoreError):
        back_up(path, target)
    with pytest.raises(StoreError):
        restore(tmp_path / "another.sqlite", path)
    assert target.read_bytes() == good
    assert not list(tmp_path.glob("*.part"))


# Damage to the log.


def left_behind(folder: Path) -> Path:
    """A store as a kill leaves it, with twenty commits in its log."""
    path, copy = folder / "live.sqlite", folder / "station.sqlite"
    with StoreWriter.open(path) as store:
        store.database.checkpoint()
        for number in range(20):
            store.write([transmission(T0 + number * 10 * SECOND)])
        for suffix in ("", "-wal"):
            shutil.copy(f"{path}{suffix}", f"{copy}{suffix}")
    return copy


def test_a_sound_log_is_moved_into_the_file(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = left_behind(tmp_path)
    with StoreWriter.open(path) as store:
        assert store.counts()["transmissions"] == 20
        assert path.stat().st_size > 10_000
    assert caplog.text == ""


@pytest.mark.parametrize("place", [10, 20, 30, 32 + 12, 32 + 100, 32 + 40 * 536 + 100])
def test_one_flipped_bit_in_the_log_is_reported(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, place: int
) -> None:
    path = left_behind(tmp_path)
    log = path.with_name("station.sqlite-wal")
    content = bytearray(log.read_bytes())
    content[place] ^= 1
    log.write_bytes(content)
    with StoreWriter.open(path) as store:
        stored = store.counts()["transmissions"]
        store.write([transmission(T0 + 1000 * SECOND)])
    assert stored < 20
    assert f"{20 - stored} commit" in caplog.text
    caplog.clear()
    StoreWriter.open(path).close()
    assert caplog.text == ""
