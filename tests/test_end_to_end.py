"""A separate process writes text lines to a pseudo-terminal; the daemon reads, alarms, stores."""

from __future__ import annotations

import csv
import fcntl
import io
import json
import os
import re
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pytest

from tests.deadlines import in_time, lateness_s, scale, wait_until
from tests.isolate_bench import hands
from tests.servers import victoria_metrics
from tests.station import Running, line, mismatchd, pty, write_config
from tests.test_forwarder import exported as exported_series

pytestmark = pytest.mark.realtime

WRITER = """
import json, os, sys, time
fd, rate, plan = int(sys.argv[1]), float(sys.argv[2]), json.loads(sys.argv[3])
begun = time.time()
at = begun
for seconds, text in plan:
    data = text.encode()
    first = None
    for _ in range(round(seconds * rate)):
        time.sleep(max(0, at - time.time()))
        os.write(fd, data)
        now = time.time()
        first = first or now
        at += 1 / rate
    print(json.dumps([first, now]), flush=True)
"""

Plan = list[tuple[float, tuple[float, float]]]


def play(master: int, rate: float, plan: Plan) -> list[tuple[float, float]]:
    """Send stretches of (seconds, (incident W, reflected W)); first and last moment of each."""
    lines = [(seconds, line(*powers).decode()) for seconds, powers in plan]
    done = subprocess.run(
        [sys.executable, "-c", WRITER, str(master), str(rate), json.dumps(lines)],
        pass_fds=[master],
        capture_output=True,
        text=True,
        check=True,
        timeout=scale(120),
    )
    return [tuple(json.loads(text)) for text in done.stdout.splitlines()]


def exported(table: str, config: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(mismatchd("export", table, "-c", config).stdout)))


def seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


QUIET = (0.0, 0.0)
HANG_S = min(scale(0.3), 1.5)  # so long a busy machine keeps a bridge from printing
HANG = f"{{hang_ms: {round(1000 * HANG_S)}}}"


@pytest.mark.parametrize("rate", [100.0, 500.0])
def test_what_was_sent_is_stored(tmp_path: Path, rate: float) -> None:
    sent: Plan = [(4.0, 0.0625), (1.0, 0.111111), (8.0, 0.01)]  # SWR 1.667, 2 and 1.222
    with pty() as (master, name):
        config = write_config(tmp_path, name, transmission=HANG)
        daemon = Running(config)
        try:
            play_until_read(daemon, config, master)
            plan: Plan = [(1.0, QUIET)]
            for power, ratio in sent:
                plan += [(1.5, (power, power * ratio)), (HANG_S + 0.5, QUIET)]
            times = play(master, rate, plan)
            daemon.wait_events(len(sent), event="transmission")
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0, said
    rows = exported("transmissions", config)
    assert len(rows) == len(sent), said
    for row, (power, ratio), (first, last) in zip(rows, sent, times[1::2], strict=True):
        swr = (1 + ratio**0.5) / (1 - ratio**0.5)
        assert float(row["swr_low"]) <= swr <= float(row["swr_high"])
        assert float(row["swr"]) == pytest.approx(swr, rel=0.01)
        assert float(row["forward_w_mean"]) == pytest.approx(power, rel=0.02)
        assert float(row["reflected_w_mean"]) == pytest.approx(power * ratio, rel=0.02)
        # A busy machine is late to write or to read a pair.
        late_s = 2 / rate + lateness_s()
        assert seconds(row["start_utc"]) == pytest.approx(first, abs=late_s)
        assert seconds(row["end_utc"]) == pytest.approx(last, abs=late_s)
        assert int(row["samples"]) == 1.5 * rate
        duration_s = float(row["duration_s"])
        assert duration_s == pytest.approx(last - first, abs=late_s)
        energy_j = power * duration_s
        if "gap" in row["flags"]:  # the energy of a gap is unknown
            assert float(row["energy_j"]) < 1.03 * energy_j
        else:
            assert float(row["energy_j"]) == pytest.approx(energy_j, rel=0.03)
        parts = [s for s in exported("seconds", config) if s["transmission_id"] == row["id"]]
        assert sum(int(part["samples"]) for part in parts) == int(row["samples"])
    assert exported("alarms", config) == []
    events = [event for _, event in daemon.events]
    assert [event["id"] for event in events] == [int(row["id"]) for row in rows]


def test_alarm_is_raised_told_stored_acknowledged_and_cleared(tmp_path: Path) -> None:
    with pty() as (master, name):
        config = write_config(tmp_path, name)
        daemon = Running(config)
        try:
            play_until_read(daemon, config, master)
            play(master, 200, [(0.5, QUIET), (1.0, (4.0, 0.05)), (0.5, (4.0, 3.2))])
            for kind in ("high-swr", "high-reflected-power"):
                daemon.wait_events(1, kind=kind)
            raised = [event for _, event in daemon.events if event["event"] == "alarm"]
            assert {event["kind"] for event in raised} >= {"high-swr", "high-reflected-power"}
            assert {event["change"] for event in raised} == {"raised"}
            number = next(event["id"] for event in raised if event["kind"] == "high-swr")
            status = json.loads(mismatchd("status", "--json", "-c", config).stdout)
            assert status["alive"]
            assert {alarm["kind"] for alarm in status["open_alarms"]} >= {
                "high-swr",
                "high-reflected-power",
            }
            mismatchd("alarms", "ack", str(number), "-c", config)
            again = mismatchd("alarms", "ack", str(number), "-c", config, check=False)
            assert again.returncode == 2
            assert "already" in again.stderr
            play(master, 200, [(3.0, (4.0, 0.05)), (2.0, QUIET)])
            daemon.wait_events(1, kind="high-swr", change="cleared")
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0, said
    changes = [(e["kind"], e["change"]) for _, e in daemon.events if e["event"] == "alarm"]
    assert ("high-swr", "acknowledged") in changes
    assert changes.count(("high-swr", "raised")) == changes.count(("high-swr", "cleared")) == 1
    (row,) = [r for r in exported("alarms", config) if r["kind"] == "high-swr"]
    assert row["cleared_utc"]
    assert row["acknowledged_utc"]
    assert float(row["value"]) == pytest.approx(17.9, rel=0.05)  # rho = sqrt(0.8)
    # A second one begins where the commands took longer than a pause may last.
    assert row["transmission_id"] == exported("transmissions", config)[0]["id"]


def play_until_read(daemon: Running, config: Path, master: int, pairs: int = 1) -> None:
    writer = subprocess.Popen(
        [
            sys.executable,
            "-c",
            WRITER,
            str(master),
            "50",
            json.dumps([[60, line(*QUIET).decode()]]),
        ],
        pass_fds=[master],
        stdout=subprocess.DEVNULL,
    )
    try:
        daemon.wait_reading(config, pairs)
    finally:
        writer.kill()
        writer.wait()


@pytest.mark.parametrize("how", ["stop", "kill"])
def test_a_restart_in_mid_transmission_neither_loses_nor_doubles(tmp_path: Path, how: str) -> None:
    with pty() as (master, name), hands(master) as held:
        config = write_config(tmp_path, name)
        daemon = Running(config)
        try:
            daemon.wait_reading(config)
            held.send(4.0, 0.1)
            daemon.wait_status(config, lambda status: status.keyed)
            daemon.wait_reading(config, 600)  # some are stored
            if how == "stop":
                code, said = daemon.stop()
                assert code == 0, said
            daemon.kill()
            daemon = Running(config)
            daemon.wait_status(config, lambda status: status.keyed)
            daemon.wait_reading(config, 400)
            held.send(*QUIET)
            daemon.wait_events(1, event="transmission")
            daemon.stop()
        finally:
            daemon.kill()
    first, second = exported("transmissions", config)
    assert "interrupted" in first["flags"]
    assert seconds(first["end_utc"]) < seconds(second["start_utc"])
    rows = exported("seconds", config)
    assert len({row["time_utc"] for row in rows}) == len(rows)
    for transmission in (first, second):
        parts = [row for row in rows if row["transmission_id"] == transmission["id"]]
        counted = sum(int(part["samples"]) for part in parts)
        # After SIGKILL the pairs of the last commit interval may be missing from both alike.
        assert counted == int(transmission["samples"]) or (
            how == "kill" and int(transmission["samples"]) - counted <= scale(200)
        )
    lost_s = seconds(second["start_utc"]) - seconds(first["end_utc"])
    assert in_time(lost_s, 2.5 if how == "stop" else 4.5)


def test_an_export_beside_the_daemon_has_what_is_not_committed_yet(tmp_path: Path) -> None:
    with pty() as (master, name), hands(master) as held:
        config = write_config(tmp_path, name)
        daemon = Running(config)
        try:
            daemon.wait_reading(config)
            held.send(4.0, 0.1)
            daemon.wait_status(config, lambda status: status.keyed)
            before = daemon.wait_status(config, lambda status: True)
            daemon.wait_reading(config, 600)
            rows, pairs = exported("seconds", config), exported("samples", config)
            after = daemon.wait_status(config, lambda status: True)
            assert after.keyed  # nothing but the export had these rows committed
        finally:
            daemon.kill()
    # The quarter and the second in progress, and up to a second of waiting, are missing.
    assert len(rows) >= 1
    assert sum(int(row["samples"]) for row in rows) >= 600 - 2.5 * scale(200)
    assert len(pairs) >= 600 - 2.5 * scale(200)
    assert after.commits - before.commits <= 4


def test_the_same_file_replayed_twice_gives_the_same_rows(tmp_path: Path) -> None:
    with (tmp_path / "pairs.csv").open("w") as file:
        file.write("time_s,forward_v,reflected_v,channel\n")
        for index in range(12_000):
            keyed = 2000 < index % 6000 < 5000
            powers = line(4.0, 0.1) if keyed else line(0, 0)
            file.write(f"{1_770_000_000 + index / 200:.6f},{powers.decode().strip()},20\n")
    config = write_config(tmp_path, "", driver="{kind: replay, path: pairs.csv}")
    mismatchd("run", "-c", config)
    before = {name: exported(name, config) for name in ("transmissions", "seconds", "alarms")}
    assert len(before["transmissions"]) == 2
    assert {row["channel"] for row in before["transmissions"]} == {"20"}
    assert before["alarms"] == []
    mismatchd("run", "-c", config)
    assert {name: exported(name, config) for name in before} == before
    lines = mismatchd("export", "transmissions", "--format", "line-protocol", "-c", config).stdout
    assert re.match(
        r"transmission,station=test-station,station_id=[-0-9a-f]{36},channel=20 ", lines
    )


def test_the_daemon_forwards_what_it_stores(tmp_path: Path) -> None:
    with (tmp_path / "pairs.csv").open("w") as file:
        file.write("time_s,forward_v,reflected_v\n")
        for index in range(4000):
            powers = line(4.0, 0.1) if 400 < index < 2400 else line(0, 0)
            file.write(f"{1_770_000_000 + index / 200:.6f},{powers.decode().strip()}\n")
    with victoria_metrics(tmp_path) as server:
        config = write_config(
            tmp_path,
            "",
            driver="{kind: replay, path: pairs.csv}",
            influxdb=f"{{url: '{server.url}', org: home, bucket: station}}",
        )

        def forwarded() -> dict[str, list[tuple[int, float]]]:
            """What is not sent before the end waits for the next run."""
            mismatchd("run", "-c", config)
            series = exported_series(server)
            return series if len(series.get("second_forward_w", ())) == 10 else {}

        series = wait_until(forwarded)
        assert series
    (row,) = exported("transmissions", config)
    at_ms = round(seconds(row["start_utc"]) * 1e3)
    assert series["transmission_swr"] == [(at_ms, float(row["swr"]))]
    assert len(series["second_forward_w"]) == len(exported("seconds", config)) == 10


def test_a_recording_replays_to_the_rows_of_the_live_run(tmp_path: Path) -> None:
    with pty() as (master, name):
        config = write_config(tmp_path, name, transmission=HANG)
        recorder = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "logger.cli",
                "record",
                "-c",
                str(config),
                "-o",
                str(tmp_path / "port.rec.gz"),
                "--seconds",
                f"{scale(5)}",
            ],
            stderr=subprocess.PIPE,
        )
        assert wait_until((tmp_path / "port.rec.gz").exists)
        times = play(master, 200, [(0.5, QUIET), (1.5, (4.0, 0.25)), (HANG_S + 0.7, QUIET)])
        _, said = recorder.communicate(timeout=scale(20))
        assert recorder.returncode == 0, said
    config = write_config(
        tmp_path,
        "",
        driver="{kind: replay, path: port.rec.gz}",
        transmission=HANG,
    )
    mismatchd("run", "-c", config)
    (row,) = exported("transmissions", config)
    assert float(row["swr"]) == pytest.approx(1.667, abs=0.01)
    late_s = 0.01 + lateness_s()
    assert seconds(row["start_utc"]) == pytest.approx(times[1][0], abs=late_s)
    assert float(row["duration_s"]) == pytest.approx(times[1][1] - times[1][0], abs=late_s)


def test_lines_that_cannot_be_read_are_told_once(tmp_path: Path) -> None:
    with pty() as (master, name):
        config = write_config(tmp_path, name, driver=f"{{kind: text-lines, port: {name}}}")
        daemon = Running(config)
        try:
            daemon.wait_status(config, lambda status: True)
            play(master, 200, [(1.0, QUIET)])
            daemon.wait_status(config, lambda status: sum(status.counters.values()) >= 200)
            os.write(master, b"forward_v,reflected_v\n")
            play(master, 200, [(1.0, QUIET)])
            daemon.wait_status(config, lambda status: status.pairs >= 200)
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0
    assert said.count("none is readable: no header line arrived") == 1
    assert said.count("lines readable again") == 1


def test_unplugged_and_back(tmp_path: Path) -> None:
    link = tmp_path / "port"
    with pty() as (first, first_name), pty() as (second, second_name):
        link.symlink_to(first_name)
        config = write_config(tmp_path, str(link), watchdog="{no_data: {after_s: 1}}")
        daemon = Running(config)
        try:
            play_until_read(daemon, config, first)
            link.unlink()
            os.close(os.dup(first))
            os.dup2(os.open(os.devnull, os.O_RDONLY), first)  # the master goes away
            daemon.wait_events(1, kind="no-data", change="raised")
            link.symlink_to(second_name)
            play_until_read(daemon, config, second, 100)
            play(second, 200, [(1.0, QUIET), (1.0, (4.0, 0.1)), (2.0, QUIET)])
            daemon.wait_events(1, event="transmission")
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0, said
    assert "lost" in said
    assert "back" in said
    assert len(exported("transmissions", config)) == 1
    changes = [(e["kind"], e["change"]) for _, e in daemon.events if e["event"] == "alarm"]
    assert changes == [("no-data", "raised"), ("no-data", "cleared")]


def test_nobody_reads_what_is_said(tmp_path: Path) -> None:
    with (tmp_path / "pairs.csv").open("w") as file:
        file.write("time_s,forward_v,reflected_v\n")
        lines = [line(*powers).decode().strip() for powers in (QUIET, (4.0, 0.1))]
        for index in range(60_000):
            file.write(f"{1_770_000_000 + index / 20:.6f},{lines[index % 200 >= 100]}\n")
    config = write_config(tmp_path, "", driver="{kind: replay, path: pairs.csv}")
    daemon = subprocess.Popen(
        [sys.executable, "-m", "logger.cli", "run", "-c", str(config)], stderr=subprocess.PIPE
    )
    try:
        fcntl.fcntl(daemon.stderr, fcntl.F_SETPIPE_SZ, 4096)
        assert daemon.wait(scale(30)) == 0
    finally:
        daemon.kill()
        daemon.communicate()
    assert len(exported("transmissions", config)) == 300
