"""A disk that does not respond: alarms are reported in time, the daemon says so, and it ends."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import socket
import sqlite3
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import pytest

from logger.store.stall import StallLog, StallTimer
from logger.store.writer import StoreWriter
from tests.deadlines import in_time, lateness_s, wait_until
from tests.disk import Disk
from tests.page_server import serving
from tests.servers import free_port
from tests.station import Running, line, mismatchd, pty, write_config
from tests.test_end_to_end import HANG, QUIET, play, play_until_read
from tests.test_store import SECOND, T0, second, transmission
from tests.test_store_faults import garble, pages

pytestmark = pytest.mark.realtime

GOOD, BAD = (4.0, 0.05), (4.0, 4.0 * (2 / 3) ** 2)  # SWR 1.25 and 5
LATENCY_S = 0.015
HOLD_S = 0.05
WATCHDOG = "{high_reflected_power: {limit_w: 9}}"
# Notes the moment at which it was started.
NOTER = """\
#!{python}
import sys, time
now = time.monotonic()
with open({notes!r}, "a") as file:
    print(now, sys.stdin.readline().strip(), file=file)
"""


def command(folder: Path, script: str) -> str:
    """Return options of a notifier of alarms that runs this Python program."""
    program = folder / "program"
    program.write_text(script)
    program.chmod(0o755)
    return f"{{kind: command, command: ['{program}'], detail: alarms}}"


def test_alarms_are_reported_while_the_disk_stalls(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    disk = Disk(tmp_path, tmp_path / "data")
    notes, port = tmp_path / "notes", free_port()
    with pty() as (master, name):
        config = write_config(
            tmp_path,
            name,
            transmission=HANG,
            watchdog=WATCHDOG,
            metrics=f"{{listen: '127.0.0.1:{port}'}}",
            notify=f"[{command(tmp_path, NOTER.format(python=sys.executable, notes=str(notes)))}]",
        )
        daemon = Running(config, **disk.environ)
        try:
            play_until_read(daemon, config, master)
            play(master, 500, [(0.5, QUIET), (2.2, GOOD)])
            disk.stall()
            completed_s = alarm(master, daemon)
            raised_s, raised = next(item for item in daemon.events if item[1]["event"] == "alarm")
            assert raised["change"] == "raised"
            assert raised["id"] is None
            assert in_time(raised_s - completed_s, LATENCY_S + lateness_s())
            assert wait_until(notes.exists)
            started_s = float(wait_until(notes.read_text).split()[0])
            # The program itself has to start.
            assert in_time(started_s - completed_s, LATENCY_S + 0.1 + lateness_s())
            status = daemon.wait_status(config, lambda status: status.stalled_s > 0.25)
            assert status.store_error is None
            assert "the disk has not responded" in mismatchd("status", "-c", config).stdout
            metrics = urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics").read().decode()
            assert "mismatchd_store_stalled_seconds 0.0" not in metrics
            disk.stall(stalls=False)
            status = daemon.wait_status(config, lambda status: not status.stalled_s)
            assert status.stalls == 1
            play(master, 500, [(1.0, QUIET)])
            daemon.wait_events(1, event="transmission")
            code, said = daemon.stop()
        finally:
            disk.stall(stalls=False)
            daemon.kill()
    assert code == 0, said
    assert said.count("the disk is slow to respond") == 1, said
    raises = [event for _, event in daemon.events if event.get("change") == "raised"]
    assert len(raises) == 1  # not once more when it was stored
    stored = mismatchd("export", "alarms", "-c", config).stdout.splitlines()[1:]
    assert len(stored) == 1
    assert raises[0]["raised_utc"] in stored[0]


def test_a_slow_card_is_no_stall(monkeypatch: pytest.MonkeyPatch) -> None:
    now_s = 0.0
    monkeypatch.setattr("logger.store.stall.time.monotonic", lambda: now_s)
    timer = StallTimer()
    for lasts_s in (*[0.02] * 50, 3.0):
        with timer.time():
            now_s += lasts_s
    assert timer.stalls == 1
    assert timer.usual_s == pytest.approx(0.02, rel=0.01)


def test_long_stalls_are_errors_and_short_ones_are_logged_now_and_then(
    caplog: pytest.LogCaptureFixture,
) -> None:
    stalls = StallLog()
    for now_s in range(200):  # one of 0.4 s each second, then a long one
        stalls.update(0.4 if now_s < 100 else 0.0, now_s)
    stalls.update(4.9, 300.0)
    assert [record.levelname for record in caplog.records] == ["WARNING", "WARNING"]
    stalls.update(5.1, 301.0)
    stalls.update(6.1, 302.0)
    stalls.update(0.0, 303.0)
    assert [record.levelname for record in caplog.records[2:]] == ["ERROR", "WARNING"]
    assert "the disk responds again" in caplog.text


def alarm(master: int, daemon: Running) -> float:
    """Send bad pairs; return the moment of the one that completes the hold time."""
    rate, bad = 500, line(*BAD)
    begun_s = time.monotonic()
    completed_s = 0.0
    for place in range(round(0.1 * rate)):
        while (left_s := begun_s + place / rate - time.monotonic()) > 0:
            if select.select([daemon.process.stdout], [], [], left_s)[0]:
                daemon.poll()
        os.write(master, bad)
        if place == round(HOLD_S * rate):
            completed_s = time.monotonic()
    daemon.wait_events(1, event="alarm")
    return completed_s


# Ending in every state.


@contextlib.contextmanager
def silent_server() -> Iterator[int]:
    """A port at which connections are accepted and nothing is ever said."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


@contextlib.contextmanager
def sending(master: int) -> Iterator[None]:
    """Pairs of a transmission, without pause."""
    stop = threading.Event()

    def send() -> None:
        while not stop.wait(0.01):
            os.write(master, line(*GOOD))

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


@contextlib.contextmanager
def locked(store: Path) -> Iterator[None]:
    """The store with a foreign lock."""
    other = sqlite3.connect(store, isolation_level=None)
    try:
        other.execute("BEGIN IMMEDIATE")
        yield
    finally:
        other.close()


@contextlib.contextmanager
def busily_read(store: Path) -> Iterator[None]:
    """The store with a reader amid a long query."""
    other = sqlite3.connect(store, isolation_level=None)
    try:
        other.execute("BEGIN")
        other.execute("SELECT * FROM health").fetchone()
        yield
    finally:
        other.close()


@contextlib.contextmanager
def busy_page(config: Path) -> Iterator[None]:
    """Visitors who ask the page for charts of the store without pause."""
    stop = threading.Event()
    with serving(config) as page, ThreadPoolExecutor(4) as pool:

        def visit() -> int:
            number = 0
            while not stop.is_set():
                for path in ("/", "/reflection"):
                    with contextlib.suppress(OSError):
                        url = f"http://127.0.0.1:{page.port}{path}"
                        number += urllib.request.urlopen(url, timeout=30).status == 200
            return number

        visits = [pool.submit(visit) for _ in range(4)]
        try:
            yield
        finally:
            stop.set()
        assert sum(visit.result() for visit in visits)


def damage(store: Path, rows: int) -> None:
    """Make a damaged store whose salvage takes long."""
    with StoreWriter.open(store) as writer:
        writer.write([transmission(), *(second(T0 + n * SECOND) for n in range(rows))])
    garble(store, pages(store, "seconds")[2:4])


STATES = (
    "idle",
    "keyed",
    "locked",
    "stalled",
    "notifier",
    "forwarder",
    "read",
    "salvaging",
    "slow",
    "page",
    "telling",
)


@pytest.mark.parametrize(
    ("state", "number"),
    [(state, signal.SIGTERM) for state in STATES] + [("keyed", signal.SIGHUP)],
)
def test_it_ends_in_every_state(tmp_path: Path, state: str, number: signal.Signals) -> None:
    (tmp_path / "data").mkdir()
    disk = Disk(tmp_path, tmp_path / "data")
    signal.signal(signal.SIGHUP, signal.SIG_DFL)  # under nohup the daemon would inherit "ignore"
    with ExitStack() as stack:
        master, name = stack.enter_context(pty())
        port = stack.enter_context(silent_server())
        sections = {"watchdog": WATCHDOG, "transmission": HANG}
        if state in ("notifier", "telling"):
            script = f"#!{sys.executable}\nimport time\ntime.sleep({60 * (state == 'notifier')})\n"
            sections["notify"] = f"[{command(tmp_path, script)}]"
        if state == "forwarder":
            sections["influxdb"] = f"{{url: 'http://127.0.0.1:{port}', org: o, bucket: b}}"
        config = write_config(tmp_path, name, **sections)
        store = config.parent / "data/station.sqlite"
        if state == "salvaging":
            damage(store, 3000)
            disk.slow(10)
        daemon = Running(config, **disk.environ, INFLUX_TOKEN="none")
        stack.callback(daemon.kill)
        stack.callback(disk.stall, False)
        play_until_read(daemon, config, master)
        if state == "telling":  # the notifier cannot record what it has delivered
            play(master, 500, [(0.5, QUIET), (2.2, GOOD)])
            disk.stall()
            alarm(master, daemon)
        if state in ("notifier", "forwarder"):
            play(master, 500, [(0.5, QUIET), (2.2, GOOD)])
            alarm(master, daemon)
        if state in ("keyed", "locked", "stalled", "read", "slow", "page"):
            stack.enter_context(sending(master))
        if state == "locked":
            stack.enter_context(locked(store))
        if state == "read":
            stack.enter_context(busily_read(store))
        if state == "stalled":
            disk.stall()
            daemon.wait_status(config, lambda status: status.stalled_s > 0.3)
        if state == "slow":
            disk.slow(5)
        if state == "page":
            stack.enter_context(busy_page(config))
        if state == "salvaging":
            assert wait_until(store.with_name(store.name + ".new").exists, 10)
        time.sleep(0.5)
        begun_s = time.monotonic()
        daemon.process.send_signal(number)
        code = daemon.process.wait(30)
        took_s = time.monotonic() - begun_s
        said = daemon.process.stderr.read().decode()
    assert in_time(took_s, 5.0), (took_s, said)
    assert "Traceback" not in said, said
    is_lossy = state in ("locked", "stalled", "salvaging", "telling")
    assert code == int(is_lossy), said
    losses = [text for text in said.splitlines() if "lost " in text and "raw pair" in text]
    assert len(losses) == is_lossy, said
