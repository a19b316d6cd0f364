"""The real daemon tells: a broker, the bridge, a command; killed, ended, with the broker away."""

from __future__ import annotations

import contextlib
import itertools
import os
import sys
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import msgspec
import pytest

from logger.live.status import ask
from logger.store.reader import Store
from tests.counterparts import PASSWORD, USER, authority, broker, subscriber
from tests.deadlines import in_time, wait_until
from tests.station import Running, line, mismatchd, pty, write_config

pytestmark = pytest.mark.realtime

QUIET, GOOD, BAD = line(0, 0), line(4.0, 0.05), line(4.0, 2.0)  # SWR 5.8


class Bridge(threading.Thread):
    """Writes a pair 200 times a second, and keeps what is written to it."""

    def __init__(self, master: int) -> None:
        super().__init__(daemon=True)
        self.pair = QUIET
        self.got: list[tuple[float, bytes]] = []
        self._master = master
        self._ended = threading.Event()
        os.set_blocking(master, False)

    def run(self) -> None:
        while not self._ended.wait(0.005):
            with contextlib.suppress(BlockingIOError, OSError):
                os.write(self._master, self.pair)
            with contextlib.suppress(BlockingIOError, OSError):
                self.got.append((time.monotonic(), os.read(self._master, 4096)))

    def text(self) -> str:
        return b"".join(data for _, data in self.got).decode()

    def end(self) -> None:
        self._ended.set()
        self.join()


@contextlib.contextmanager
def bridge() -> Iterator[tuple[Bridge, str]]:
    with pty() as (master, name):
        started = Bridge(master)
        started.start()
        try:
            yield started, name
        finally:
            started.end()


@contextlib.contextmanager
def daemon(config: Path, **environ: str) -> Iterator[Running]:
    running = Running(config, **environ)
    try:
        running.wait_reading(config)
        yield running
    finally:
        running.kill()


def configured(folder: Path, port: str, *notify: dict[str, Any]) -> Path:
    return write_config(
        folder,
        port,
        notify=msgspec.json.encode(notify).decode(),
        watchdog="{high_reflected_power: {limit_w: 9}}",
    )


def changes(messages: list[dict[str, Any]]) -> list[tuple[str, str]]:
    return [(message["kind"], message["change"]) for message in messages]


def told_of(running: Running) -> list[str]:
    running.poll()
    """Changes of high-swr."""
    return [event["change"] for _, event in running.events if event.get("kind") == "high-swr"]


def watches(messages: list[dict[str, Any]]) -> list[tuple[str, list[str]]]:
    return [(message["watch"], message["alarms"]) for message in messages]


def test_a_broker_hears_of_alarms_and_of_the_death_of_the_watch(tmp_path: Path) -> None:
    trusted = authority(tmp_path)
    with (
        broker(tmp_path, trusted) as to,
        subscriber(to) as there,
        bridge() as (bridge_, port),
    ):
        config = configured(
            tmp_path,
            port,
            {
                "kind": "mqtt",
                "detail": "alarms",
                "host": "127.0.0.1",
                "port": to.port,
                "tls": True,
                "ca_file": "ca.pem",
                "user": USER,
                "password_env": "PW",
                "alarms": ["high-swr"],
                "discovery": True,
            },
        )
        with daemon(config, PW=PASSWORD) as running:
            assert wait_until(lambda: watches(there.of("/state")) == [("alive", [])])
            bridge_.pair = GOOD
            time.sleep(0.5)
            bridge_.pair = BAD
            assert wait_until(lambda: changes(there.of("/alarm")) == [("high-swr", "raised")])
            assert wait_until(lambda: there.of("/state")[-1]["alarms"] == ["high-swr"])
            mismatchd("alarms", "acknowledge", "1", "-c", config)
            assert wait_until(
                lambda: changes(there.of("/alarm"))[1:] == [("high-swr", "acknowledged")]
            )
            assert wait_until(lambda: there.of("/state")[-1]["unacknowledged"] == [])
            bridge_.pair = GOOD
            assert wait_until(lambda: changes(there.of("/alarm"))[2:] == [("high-swr", "cleared")])
            assert len(there.of("/config")) == 11
            assert wait_until(lambda: any(shown["forward_w"] for shown in there.of("/reading")))

            assert wait_until(lambda: there.of("/state")[-1]["alarms"] == [])
            to.kill()  # what happens meanwhile is told once it is back
            bridge_.pair = GOOD
            time.sleep(0.5)
            bridge_.pair = BAD
            assert wait_until(
                lambda: (
                    (s := ask(tmp_path / "data/station.sqlite"))
                    and s.notifiers[0].waiting == 1
                    and s.notifiers[0].failing
                )
            )
            to.start()
            assert wait_until(lambda: there.of("/state")[-1]["alarms"] == ["high-swr"], 20)

            running.process.kill()
            assert wait_until(lambda: there.of("/state")[-1]["watch"] == "died", 5)
        said = running.process.returncode
        assert said == -9
        with daemon(config, PW=PASSWORD) as running:
            assert wait_until(lambda: there.of("/state")[-1]["watch"] == "alive")
            # Its kind came again within the minute; what waited of that is told at the start.
            assert wait_until(lambda: len(there.of("/alarm")) == 4)
            assert there.of("/alarm")[3]["raise_count"] == 1
            begun_s = time.monotonic()
            code, said_on_stderr = running.stop()
            assert in_time(time.monotonic() - begun_s, 5)
            assert code == 0
            assert wait_until(lambda: there.of("/state")[-1]["watch"] == "ended")
        assert PASSWORD not in said_on_stderr
        ids = [message["message_id"] for message in there.of("/alarm")]
        assert len(set(ids)) == len(ids)
        with Store.reader(tmp_path / "data/station.sqlite") as store:
            own = "station_id", store.station_id
        for topic in ("/alarm", "/state"):  # also the one of the broker, when the watch died
            assert {[*message.items()][-1] for message in there.of(topic)} == {own}


def test_the_bridge_is_inhibited_until_the_alarm_is_acknowledged(tmp_path: Path) -> None:
    with bridge() as (bridge_, port):
        config = configured(
            tmp_path,
            port,
            {
                "kind": "inhibit",
                "message": "stop\n",
                "release": "go\n",
                "refresh_s": 0.2,
                "release_after_s": 60,
            },
        )
        with daemon(config) as running:
            bridge_.pair = GOOD
            time.sleep(0.5)
            assert bridge_.text() == ""
            bridge_.pair = BAD
            assert wait_until(lambda: bridge_.text().count("stop\n") >= 3)
            bridge_.pair = QUIET  # the key is up; nothing has become better
            time.sleep(1.0)
            times = [at for at, _ in bridge_.got]
            gaps = [b - a for a, b in itertools.pairwise(times)]
            assert in_time(max(gaps), 0.35)
            assert "go" not in bridge_.text()
            mismatchd("alarms", "acknowledge", "1", "-c", config)
            assert wait_until(lambda: bridge_.text().endswith("go\n"), 3)
            written = len(bridge_.text())
            time.sleep(0.5)
            assert len(bridge_.text()) == written
            bridge_.pair = GOOD
            assert wait_until(lambda: told_of(running)[-1] == "cleared")
            bridge_.pair = BAD
            assert wait_until(lambda: bridge_.text().endswith("stop\n"))
            code, _ = running.stop()
            assert code == 0
            assert wait_until(lambda: bridge_.text().endswith("go\n"), 2)


def test_a_hanging_command_holds_up_neither_capture_nor_the_end(tmp_path: Path) -> None:
    (tmp_path / "hang.py").write_text(
        "import os, time\nopen('pid', 'w').write(str(os.getpid()))\ntime.sleep(60)\n"
    )
    told = "import sys; open('told', 'a').write(sys.stdin.read())"
    with bridge() as (bridge_, port):
        config = configured(
            tmp_path,
            port,
            {
                "kind": "command",
                "name": "hangs",
                "detail": "alarms",
                "command": [sys.executable, "hang.py"],
                "timeout_s": 60,
            },
            {"kind": "command", "detail": "alarms", "command": [sys.executable, "-c", told]},
        )
        with daemon(config) as running:
            bridge_.pair = GOOD
            time.sleep(0.5)
            bridge_.pair = BAD
            assert wait_until(lambda: (tmp_path / "told").exists() and (tmp_path / "pid").exists())
            bridge_.pair = GOOD
            assert wait_until(lambda: (tmp_path / "told").read_text().count("\n") == 2)
            status = ask(tmp_path / "data/station.sqlite")
            assert status is not None
            begun = status.pairs
            time.sleep(0.5)
            status = ask(tmp_path / "data/station.sqlite")
            assert status is not None
            assert status.pairs > begun
            begun_s = time.monotonic()
            code, _ = running.stop()
            assert in_time(time.monotonic() - begun_s, 5)
            assert code == 0
        child = Path("/proc", (tmp_path / "pid").read_text(), "stat")
        assert wait_until(lambda: not child.exists() or " Z " in child.read_text(), 3)
        first = msgspec.json.decode((tmp_path / "told").read_text().splitlines()[0])
        assert (first["kind"], first["change"], first["advice"]) == ("high-swr", "raised", [])
        shown = mismatchd("status", "-c", config, check=False).stdout
        assert "notify        hangs: " in shown
        assert "command: 0 messages waiting; last delivery" in shown


@pytest.mark.nightly
def test_a_plug_that_opens_again_and_again_gives_few_messages(tmp_path: Path) -> None:
    """Also over a kill of the daemon: the fault goes on, and is not reported anew."""
    note = "import sys; open('messages', 'a').write(sys.stdin.read())"

    def messages() -> list[dict[str, Any]]:
        path = tmp_path / "messages"
        lines = path.read_text().splitlines() if path.exists() else []
        return [msgspec.json.decode(text) for text in lines]

    def play(bridge_: Bridge, running: Running, breaks: int) -> None:
        """Transmit with breaks of the feedline, each of which raises an alarm that clears."""
        before = len(told_of(running))
        for number in range(before + 1, before + 2 * breaks + 1):
            bridge_.pair = GOOD if bridge_.pair == BAD else BAD
            assert wait_until(partial(lambda number: len(told_of(running)) >= number, number))

    with bridge() as (bridge_, port):
        config = configured(
            tmp_path, port, {"kind": "command", "command": [sys.executable, "-c", note]}
        )
        with daemon(config) as running:
            bridge_.pair = GOOD
            time.sleep(0.5)
            play(bridge_, running, 1)
            assert wait_until(messages)
            play(bridge_, running, 7)
            running.process.kill()
            running.process.wait()
        with daemon(config) as running:
            play(bridge_, running, 4)
            time.sleep(1)
    first = messages()[0]
    assert (first["event"], first["change"], first["state"]) == ("fault", "opened", "open")
    assert "SWR" in first["summary"]
    assert len(messages()) <= 2  # it may worsen, or be explained
    assert {message["id"] for message in messages()} == {1}
    assert mismatchd("faults", "-c", config).stdout.count("open") >= 1


@pytest.mark.parametrize("kind", ["mqtt", "webhook"])
def test_a_notifier_in_a_black_hole_does_not_hold_up_the_end(tmp_path: Path, kind: str) -> None:
    """An address that takes connections and says nothing."""
    import socket

    with socket.create_server(("127.0.0.1", 0)) as mute, bridge() as (bridge_, port):
        number = mute.getsockname()[1]
        where: dict[str, Any] = (
            {"host": "127.0.0.1", "port": number}
            if kind == "mqtt"
            else {"url": f"http://127.0.0.1:{number}/"}
        )
        config = configured(tmp_path, port, {"kind": kind, "timeout_s": 30, **where})
        with daemon(config) as running:
            bridge_.pair = GOOD
            time.sleep(0.3)
            bridge_.pair = BAD
            assert wait_until(lambda: running.poll() or running.events)
            begun_s = time.monotonic()
            code, _ = running.stop()
            assert in_time(time.monotonic() - begun_s, 5)
            assert code == 0
