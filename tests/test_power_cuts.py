"""Files of the daemon after power cuts: what was promised is there, nothing doubled or invented."""

from __future__ import annotations

import errno
import os
import random
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.deadlines import lateness_s, wait_until
from tests.disk import FAILED_SYNC, SYNC, Change, Disk
from tests.power_cuts import Platter, Stored, read
from tests.station import Running, pty, write_config
from tests.test_end_to_end import HANG, QUIET, Plan, play, play_until_read

pytestmark = pytest.mark.realtime

GOOD, BAD = (4.0, 0.05), (4.0, 4.0 * (2 / 3) ** 2)  # SWR 1.25 and 5
PROMISE_S = 0.1  # from the report of an alarm to its sync
SYNC_S = 2.0  # store.sync_s
RETRY_S = 1.5  # after failures of the disk, until the log is synced
COMMIT_S = 2.0  # within this, a row is committed
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
WORK = "plug soldered"
ROUND: Plan = [(1.1, GOOD), (0.4, BAD), (0.8, QUIET), (1.0, GOOD), (0.8, QUIET)]


@dataclass
class Recording:
    """A run of the daemon; times of reports and of work in seconds of CLOCK_MONOTONIC."""

    changes: list[Change]
    path: Path
    reports: list[tuple[float, tuple[str, str, int]]]
    worked_s: float
    utc_ns: int  # time of CLOCK_MONOTONIC's zero
    healed_s: float  # before this, syncs may have failed

    def promised(self, now_s: float) -> set[tuple[str, str, int]]:
        """Return the changes of alarms that must survive a power cut now."""
        until_s = now_s - PROMISE_S - lateness_s()
        if until_s < self.healed_s + RETRY_S:
            return set()
        return {change for reported_s, change in self.reports if reported_s < until_s}


def record(folder: Path, rounds: int, *, failing_s: float = 0.0) -> Recording:
    """Run the daemon while alarms are raised and cleared so many times, and work is recorded.

    For so long, each sync of the log fails.
    """
    (folder / "data").mkdir()
    disk = Disk(folder, folder / "data", records=True)
    with pty() as (master, name):
        config = write_config(
            folder,
            name,
            transmission=HANG,
            watchdog="{high_reflected_power: {limit_w: 9}}",
            store=f"{{path: data/station.sqlite, sync_s: {SYNC_S:g}}}",
        )
        daemon = Running(config, **disk.environ)
        bridge = threading.Thread(target=play, args=(master, 200.0, ROUND * rounds))
        try:
            play_until_read(daemon, config, master)
            bridge.start()
            if failing_s:
                disk.fail(errno.EIO, SYNC)
                time.sleep(failing_s)
                assert disk.heal() > 0
            healed_s = time.monotonic() if failing_s else 0.0
            daemon.wait_events(1, 20.0, event="alarm", change="cleared")
            journal = ["-m", "logger.cli", "journal", "add", "--kind", "repair", WORK]
            subprocess.run(
                [sys.executable, *journal, "-c", config],
                env={**os.environ, **disk.environ},
                check=True,
                capture_output=True,
            )
            worked_s = time.monotonic()
            wait_until(lambda: not bridge.is_alive(), 30.0 * rounds, daemon.poll)
            code, said = daemon.stop()
            assert code == 0, said
        finally:
            daemon.kill()
            bridge.join()
    reports = [
        (moment, (event["kind"], event["change"], _utc_ns(event[f"{event['change']}_utc"])))
        for moment, event in daemon.events
        if event["event"] == "alarm"
    ]
    return Recording(
        list(disk.changes()),
        folder / "data/station.sqlite",
        reports,
        worked_s,
        time.time_ns() - time.monotonic_ns(),
        healed_s,
    )


def _utc_ns(text: str) -> int:
    return (datetime.fromisoformat(text) - EPOCH) // timedelta(microseconds=1) * 1000


def check(recording: Recording, cuts: int, seed: int, folder: Path) -> int:
    """Cut the power so often; return how many changes of alarms had to survive, in all cuts."""
    randomness = random.Random(seed)
    final = read(recording.path)
    assert {change for _, change in recording.reports} == set(final.alarm_changes)
    moments = sorted(randomness.choices(range(len(recording.changes)), k=cuts))
    platter, applied, survivors = Platter(randomness), 0, 0
    for place in moments:
        for change in recording.changes[applied : place + 1]:
            platter.apply(change)
        applied = max(applied, place + 1)
        for piece in folder.iterdir():
            piece.unlink()
        platter.cut(folder)
        now_s = recording.changes[place].time_ns / 1e9
        promised = recording.promised(now_s)
        survivors += len(promised)
        path = folder / recording.path.name
        stored = read(path) if path.exists() else Stored([], [], [], [])
        assert promised <= set(stored.alarm_changes), (place, promised - set(stored.alarm_changes))
        worked_s = max(recording.worked_s, recording.healed_s + RETRY_S)
        assert now_s < worked_s or stored.journal == [WORK]
        for rows, all_rows in (
            (stored.alarm_changes, final.alarm_changes),
            (stored.faults, final.faults),
            (stored.seconds, final.seconds),
            (stored.journal, final.journal),
        ):
            assert len(set(rows)) == len(rows)
            assert set(rows) <= set(all_rows)
        if recording.healed_s and now_s < recording.healed_s + RETRY_S + SYNC_S + COMMIT_S:
            continue
        late_ns = recording.utc_ns + round(1e9 * (now_s - SYNC_S - COMMIT_S - lateness_s()))
        assert {time_ns for time_ns in final.seconds if time_ns < late_ns - 1_000_000_000} <= set(
            stored.seconds
        )
    return survivors


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    return record(tmp_path_factory.mktemp("recorded"), 3)


@pytest.mark.nightly
def test_what_was_promised_survives_power_cuts(recording: Recording, tmp_path: Path) -> None:
    assert check(recording, 200, 1, tmp_path) > 200


@pytest.mark.nightly
def test_what_a_failed_sync_left_in_doubt_is_written_again(tmp_path: Path) -> None:
    recorded, after = tmp_path / "recorded", tmp_path / "after"
    recorded.mkdir()
    after.mkdir()
    recording = record(recorded, 2, failing_s=3.0)
    assert any(change.kind == FAILED_SYNC for change in recording.changes)
    assert check(recording, 150, 1, after) > 20


def test_the_log_is_synced_rarely(recording: Recording) -> None:
    """Alarms and their faults share a sync; other rows wait for theirs."""
    changes = recording.changes
    syncs = [change for change in changes if change.path.endswith("-wal") and change.kind == SYNC]
    seconds = (changes[-1].time_ns - changes[0].time_ns) / 1e9
    assert len(syncs) <= 2 * len(recording.reports) + seconds / SYNC_S + 4
