"""The real daemon under a wall clock that steps; see clock_preload.c."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest

from tests.deadlines import lateness_s, scale, wait_until
from tests.isolate_bench import hands
from tests.servers import victoria_metrics
from tests.station import Running, mismatchd, pty, write_config
from tests.test_end_to_end import (
    HANG,
    HANG_S,
    QUIET,
    Plan,
    exported,
    play,
    play_until_read,
    seconds,
)
from tests.test_forwarder import exported as exported_series
from tests.wall_clock import SYNCHRONISED, WallClock

pytestmark = pytest.mark.realtime

CARRIER = (4.0, 0.1)
OVER: Plan = [(0.3, QUIET), (0.6, CARRIER), (HANG_S + 0.2, QUIET)]
HOUR_S = 3600.0


@pytest.fixture
def clock(tmp_path: Path) -> WallClock:
    return WallClock(tmp_path)


def transmit(daemon: Running, config: Path, master: int, step: Callable[[], None]) -> float:
    """Key down for some seconds, `step` in the middle of it; return how long it was down."""
    with hands(master) as held:
        daemon.wait_reading(config, 20)
        held.send(*CARRIER)
        begun_s = time.monotonic()
        daemon.wait_status(config, lambda status: status.keyed)
        daemon.wait_reading(config, 100)
        step()
        daemon.wait_reading(config, 200)
        held.send(*QUIET)
        down_s = time.monotonic() - begun_s
        daemon.wait_status(config, lambda status: not status.keyed)
        daemon.wait_reading(config, 100)
    return down_s


def of_clock(row: dict[str, str]) -> str:
    """The flags of a row but for those of a bridge that was late or has just begun."""
    return " ".join(flag for flag in row["flags"].split() if flag not in ("gap", "unsettled"))


def check_order(config: Path) -> list[dict[str, str]]:
    """Rows by id are rows by time, and none overlaps another; the transmissions."""
    rows = exported("transmissions", config)
    with closing(sqlite3.connect(config.parent / "data/station.sqlite")) as store:
        for table, column in (
            ("transmissions", "start_ns"),
            ("seconds", "time_ns"),
            ("alarm_changes", "time_ns"),
        ):
            times = [time for (time,) in store.execute(f"SELECT {column} FROM {table} ORDER BY id")]
            assert times == sorted(set(times)), table
    for one, other in pairwise(rows):
        assert one["end_utc"] < other["start_utc"]
    return rows


@pytest.mark.nightly
@pytest.mark.parametrize("by_s", [-HOUR_S, HOUR_S, -30.0])
def test_steps(tmp_path: Path, clock: WallClock, by_s: float) -> None:
    """One over before, one during and one after the step, then a restart and another."""
    cut = by_s > 0
    with pty() as (master, name):
        config = write_config(tmp_path, name, transmission=HANG)
        daemon = Running(config, **clock.environ)
        try:
            play_until_read(daemon, config, master)
            play(master, 200, OVER)
            daemon.wait_events(1, event="transmission")
            down_s = transmit(daemon, config, master, lambda: clock.set(by_s))
            daemon.wait_events(2 + cut, event="transmission")
            begun, _ = play(master, 200, [(1.0, QUIET), *OVER])[2]
            daemon.wait_events(3 + cut, event="transmission")
            status = json.loads(mismatchd("status", "--json", "-c", config).stdout)["clock"]
            code, said = daemon.stop()
            assert code == 0, said
            daemon = Running(config, **clock.environ)
            play_until_read(daemon, config, master)
            play(master, 200, OVER)
            daemon.wait_events(1, event="transmission")
            code, said_again = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0, said_again
    rows = check_order(config)
    assert len(rows) == 4 + cut, said
    durations = [float(row["duration_s"]) for row in rows]
    late_s = 0.05 + lateness_s()
    assert durations[0] == pytest.approx(0.6, abs=late_s)
    assert [row["samples"] for row in (rows[0], *rows[2 + cut :])] == ["120"] * 3
    # No time won or lost.
    assert sum(durations[1 : 2 + cut]) == pytest.approx(down_s, abs=2 * late_s)
    assert durations[2 + cut :] == pytest.approx([0.6, 0.6], abs=late_s)
    flagged = ["clock-step" in row["flags"] for row in rows]
    assert flagged[: 2 + cut] == [False, True] + [True] * cut
    if by_s > 0:
        assert flagged[3:] == [False, False]
        assert seconds(rows[3]["start_utc"]) == pytest.approx(begun + by_s, abs=late_s)
        assert status == {"times": "unconfirmed", "steps": 1, "ahead_s": 0.0}
        assert f"set forward by {by_s:.1f} s" in said
    else:
        assert flagged[2:] == [True, True]  # still ahead of the clock
        ahead_s = seconds(rows[2]["start_utc"]) - (begun + by_s)
        assert -by_s - scale(4) < ahead_s < -by_s
        assert status["ahead_s"] == pytest.approx(ahead_s, abs=scale(1.5))
        assert f"set back by {-by_s:.1f} s" in said
        assert {of_clock(row) for row in exported("seconds", config)} == {"", "clock-step"}
    total = sum(int(row["samples"]) for row in exported("seconds", config))
    assert total == sum(int(row["samples"]) for row in rows)


def test_a_small_step_back_is_made_up_for(tmp_path: Path, clock: WallClock) -> None:
    with pty() as (master, name):
        config = write_config(tmp_path, name, transmission=HANG)
        daemon = Running(config, **clock.environ)
        try:
            play_until_read(daemon, config, master)
            clock.set(-1.0)
            play(master, 200, [(5.0, QUIET)])
            begun, _ = play(master, 200, OVER)[1]
            daemon.wait_events(1, event="transmission")
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0, said
    (row,) = exported("transmissions", config)
    assert seconds(row["start_utc"]) == pytest.approx(begun - 1.0, abs=0.1 + lateness_s())
    assert of_clock(row) == ""
    assert "caught up" in said


@pytest.mark.nightly
@pytest.mark.parametrize("dies", [False, True])
def test_a_first_start_in_1970(tmp_path: Path, clock: WallClock, dies: bool) -> None:
    """Transmissions, an alarm and its acknowledgement before the clock is set; then the clock is
    set, while the daemon runs or after it was killed."""
    clock.set(-time.time() + 100.0)
    with victoria_metrics(tmp_path) as server, pty() as (master, name):
        config = write_config(
            tmp_path,
            name,
            transmission=HANG,
            influxdb=f"{{url: '{server.url}', org: home, bucket: station}}",
        )
        daemon = Running(config, **clock.environ)
        try:
            play_until_read(daemon, config, master)
            begun, _ = play(master, 200, [(0.3, QUIET), (0.6, (4.0, 3.2)), OVER[-1]])[1]
            daemon.wait_events(1, event="transmission")
            mismatchd("alarms", "ack", "1", "-c", config)
            again, _ = play(master, 200, OVER)[1]
            daemon.wait_events(2, event="transmission")
            time.sleep(1.5)  # long enough to be forwarded
            before = exported("transmissions", config)
            assert [row["start_utc"][:8] for row in before] == ["1970-01-"] * 2
            assert all("clock-step" in row["flags"] for row in before)
            assert exported_series(server) == {}
            if dies:
                daemon.kill()
                clock.set(0.0)
                daemon = Running(config, **clock.environ)
                play_until_read(daemon, config, master)
                play(master, 200, [(2.5, QUIET)])
            transmit(daemon, config, master, lambda: clock.set(0.0, SYNCHRONISED))
            play(master, 200, [(2.5, QUIET), *OVER])
            wait_until(
                lambda: len(exported_series(server).get("transmission_swr", ())) >= 5 - dies, 15
            )
            series = exported_series(server)
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0, said
    rows = check_order(config)
    assert len(rows) == (4 if dies else 5)
    late_s = 0.1 + lateness_s()
    assert seconds(rows[0]["start_utc"]) == pytest.approx(begun, abs=late_s)
    assert seconds(rows[1]["start_utc"]) == pytest.approx(again, abs=late_s)
    starts = [seconds(row["start_utc"]) for row in rows]
    assert all(begun - late_s < start < begun + scale(60) for start in starts)
    flagged = ["clock-step" in row["flags"] for row in rows]
    assert flagged == [True] * (len(rows) - 1 - dies) + [False] * (1 + dies)
    alarms = exported("alarms", config)
    assert {row["kind"] for row in alarms} == {"high-swr", "high-reflected-power"}
    for row in alarms:
        assert "clock-step" in row["flags"]
        assert row["transmission_id"] == rows[0]["id"]
        assert starts[0] < seconds(row["raised_utc"]) < seconds(rows[0]["end_utc"])
    assert begun < seconds(alarms[0]["acknowledged_utc"]) < begun + scale(60)
    assert said.count("corrected by") == 1
    sent = sorted(time for time, _ in series["transmission_swr"])
    assert sent == pytest.approx([start * 1e3 for start in starts], abs=1)  # each once
    assert min(time for time, _ in series["alarm_value"]) > 1e3 * (begun - late_s)


@pytest.mark.nightly
def test_1970_again_and_again(tmp_path: Path, clock: WallClock) -> None:
    """Before the clock is right the host may be started anew; then older rows cannot be dated."""
    clock.set(-time.time() + 100.0)
    with pty() as (master, name):
        config = write_config(tmp_path, name, transmission=HANG)
        said = ""
        for started in range(3):
            daemon = Running(config, **clock.environ)
            try:
                play_until_read(daemon, config, master)
                play(master, 200, OVER)
                daemon.wait_events(1, event="transmission")
                if started == 2:
                    clock.set(0.0)
                    play(master, 200, [(1.0, QUIET)])
                code, said = daemon.stop()
                assert code == 0, said
            finally:
                daemon.kill()
            if started < 2:  # the host is started anew: the kernel gives it another name
                with closing(sqlite3.connect(tmp_path / "data/station.sqlite")) as store, store:
                    store.execute("UPDATE boots SET name = ? WHERE until_ns IS NULL", (started,))
    rows = check_order(config)
    years = [row["start_utc"][:4] for row in rows]
    assert years[:2] == ["1970", "1970"]
    assert years[2] == str(time.gmtime().tm_year)
    assert "cannot date the rows of 1 earlier boot of this host" in said
    assert all("clock-step" in row["flags"] for row in rows)


def test_the_first_synchronisation_of_a_plausible_clock(tmp_path: Path, clock: WallClock) -> None:
    clock.set(-8 * HOUR_S)
    with pty() as (master, name):
        config = write_config(tmp_path, name, transmission=HANG)
        daemon = Running(config, **clock.environ)
        try:
            play_until_read(daemon, config, master)
            begun, _ = play(master, 200, OVER)[1]
            daemon.wait_events(1, event="transmission")
            clock.set(0.0, SYNCHRONISED)
            play(master, 200, [(2.5, QUIET), *OVER])
            daemon.wait_events(2, event="transmission")
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0, said
    rows = check_order(config)
    assert seconds(rows[0]["start_utc"]) == pytest.approx(begun, abs=0.1 + lateness_s())
    assert [of_clock(row) for row in rows] == ["clock-step", ""]
    assert "corrected by +28800.0 s" in said
