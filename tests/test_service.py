"""The daemon as a service: what it tells the service manager, and the unit it runs in."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import re
import resource
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import StatusError, StoreError
from logger.live.status import StatusSocket, ask
from logger.service.sd_notify import ServiceManager, Supervision
from logger.store.sqlite import disk_takes_nothing
from logger.store.writer import StoreWriter
from tests.deadlines import scale, wait_until
from tests.disk import Disk
from tests.servers import needed
from tests.station import Running, line, pty, write_config
from tests.test_store import T0, transmission

ROOT = Path(__file__).parent.parent
VECTORS = yaml.safe_load((ROOT / "tests/references/sd_notify.yaml").read_text())["vectors"]
UNIT = ROOT / "systemd/mismatchd.service"
WATCHDOG_S = 2.0


class Listener:
    """A service manager's socket; what came, with the moment it came."""

    def __init__(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(address)
        self._socket.setblocking(False)
        self.told: list[tuple[float, str]] = []

    def poll(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while True:
                datagram = self._socket.recv(4096).decode()
                self.told += [(time.monotonic(), text) for text in datagram.split("\n")]

    def since(self, moment: float, text: str) -> list[float]:
        """When that was told since `moment`."""
        self.poll()
        return [at for at, told in self.told if at >= moment and told.startswith(text)]

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def listener(tmp_path: Path) -> Iterator[Listener]:
    listening = Listener(str(tmp_path / "notify"))
    yield listening
    listening.close()


def environ(tmp_path: Path) -> dict[str, str]:
    return {
        "NOTIFY_SOCKET": str(tmp_path / "notify"),
        "WATCHDOG_USEC": str(round(WATCHDOG_S * 1e6)),
    }


def until(done: Callable[[], object], within_s: float, work: Callable[[], object]) -> None:
    """Go on with `work` until `done`."""
    assert wait_until(done, within_s, work), "it did not come"


def go_on(seconds: float, work: Callable[[], object]) -> None:
    """Go on with `work` for so long."""
    end_s = time.monotonic() + seconds
    until(lambda: time.monotonic() >= end_s, seconds + 5, work)


def pairs_read(config: Path) -> int:
    """How many pairs the daemon says it has read."""
    store = config.parent / "data/station.sqlite"
    status = ask(store) if store.parent.exists() else None
    return status.pairs if status else 0


# the protocol


@pytest.mark.parametrize("vector", VECTORS["addresses"])
def test_addresses_follow_the_manual(vector: dict[str, str]) -> None:
    manager = ServiceManager({"NOTIFY_SOCKET": vector["NOTIFY_SOCKET"]}, 1)
    assert manager.listens
    assert manager._address == bytes.fromhex(vector["connect_to_bytes_hex"])


@pytest.mark.parametrize("kind", ["path", "abstract"])
def test_a_notification_is_one_datagram(tmp_path: Path, kind: str) -> None:
    name = str(tmp_path / "notify") if kind == "path" else f"@mismatchd-test-{os.getpid()}"
    listening = Listener(name.replace("@", "\0"))
    try:
        ServiceManager({"NOTIFY_SOCKET": name}, 1).send(*VECTORS["payload"]["assignments"])
        assert listening._socket.recv(4096).decode() == VECTORS["payload"]["text"]
        with pytest.raises(BlockingIOError):
            listening._socket.recv(4096)
    finally:
        listening.close()


def test_without_a_listener_nothing_fails(tmp_path: Path) -> None:
    for address in ("", "vsock:2:1234", "relative", str(tmp_path / "nobody")):
        ServiceManager({"NOTIFY_SOCKET": address}, 1).send("READY=1")
    assert not ServiceManager({}, 1).listens


def test_the_watchdog_is_ours_only_if_it_says_so() -> None:
    usec = VECTORS["watchdog"]["WATCHDOG_USEC"]
    ours = {"WATCHDOG_USEC": str(usec)}
    assert ServiceManager(ours, 7).watchdog_s == usec / 1e6
    assert ServiceManager({**ours, "WATCHDOG_PID": "7"}, 7).watchdog_s == usec / 1e6
    assert ServiceManager({**ours, "WATCHDOG_PID": "8"}, 7).watchdog_s is None
    for other in ({}, {"WATCHDOG_USEC": "0"}, {"WATCHDOG_USEC": "soon"}):
        assert ServiceManager(other, 7).watchdog_s is None
    feed_s = Supervision(usec / 1e6).feed_s
    assert feed_s is not None
    assert feed_s <= VECTORS["watchdog"]["ping_at_least_every_s"]


@given(
    st.lists(st.tuples(st.floats(0.01, 3), st.booleans(), st.booleans()), max_size=60),
    st.floats(0.5, 20),
)
def test_the_watchdog_is_fed_exactly_when_due_and_every_stage_has_turned(
    steps: list[tuple[float, bool, bool]], watchdog_s: float
) -> None:
    supervision = Supervision(watchdog_s)
    now_s, fed_s, turns = 100.0, None, {"a": 0, "b": 0}
    turned: set[str] = set()
    ready = False
    for pause_s, *turning in steps:
        now_s += pause_s
        for name, turns_now in zip("ab", turning, strict=True):
            turns[name] += turns_now
            turned |= {name} if turns_now else set()
        told = supervision.due(now_s, turns, "")
        assert ("READY=1" in told) == (not ready and len(turned) == 2)
        ready = ready or len(turned) == 2
        due = fed_s is None or now_s - fed_s >= watchdog_s / 4
        assert ("WATCHDOG=1" in told) == (ready and due and len(turned) == 2)
        if "WATCHDOG=1" in told:
            fed_s, turned = now_s, set()


def test_a_stage_that_has_ended_is_not_waited_for_and_one_that_stalls_is_named() -> None:
    supervision = Supervision(4.0)
    assert supervision.due(0.0, {"a": 1, "b": 1}, "well") == [
        "READY=1",
        "WATCHDOG=1",
        "STATUS=well",
    ]
    assert supervision.due(2.0, {"a": 1, "b": 2}, "well") == []
    assert supervision.stalled == ("a",)
    assert supervision.due(3.0, {"b": 2}, "well") == ["WATCHDOG=1"]
    assert supervision.stalled == ()


def test_status_is_one_line_and_told_when_it_changes() -> None:
    supervision = Supervision(None)
    told = [
        supervision.due(t, {"a": 1}, text) for t, text in [(0, "a\nb"), (20, "a\nb"), (40, "c")]
    ]
    assert told == [["READY=1", "STATUS=a b"], [], ["STATUS=c"]]


# the real daemon


@pytest.mark.realtime
def test_ready_fed_while_the_link_is_lost_and_stopping(tmp_path: Path, listener: Listener) -> None:
    with pty() as (master, name):
        config = write_config(tmp_path, name)
        daemon = Running(config, **environ(tmp_path))

        def send() -> None:
            os.write(master, line(0.0, 0.0))
            listener.poll()

        try:
            until(lambda: listener.since(0, "STATUS="), 15, send)
            assert listener.told[0][1] == "READY=1"
            go_on(2 * WATCHDOG_S, send)
            with open(os.devnull, "wb") as nowhere:
                os.dup2(nowhere.fileno(), master)  # the port is gone
            lost = time.monotonic()
            go_on(2 * WATCHDOG_S, listener.poll)
            assert len(listener.since(lost + WATCHDOG_S, "WATCHDOG=1")) >= 2
            feeds = listener.since(0, "WATCHDOG=1")
            assert max(b - a for a, b in itertools.pairwise(feeds)) < 0.75 * WATCHDOG_S
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0, said
    assert "lost" in said
    listener.poll()
    assert listener.told[-1][1] == "STOPPING=1"


@pytest.mark.realtime
def test_not_fed_while_a_lock_keeps_the_store_from_committing(
    tmp_path: Path, listener: Listener
) -> None:
    with pty() as (master, name):
        config = write_config(tmp_path, name, transmission="{hang_ms: 200}")
        daemon = Running(config, **environ(tmp_path))

        def send() -> None:
            is_keyed = time.monotonic() % 1 < 0.5  # each ended transmission is committed
            os.write(master, line(4.0, 0.04) if is_keyed else line(0, 0))
            listener.poll()

        try:
            until(lambda: len(listener.since(0, "WATCHDOG=1")) > 3, 15, send)
            other = sqlite3.connect(tmp_path / "data/station.sqlite", isolation_level=None)
            other.execute("BEGIN EXCLUSIVE")
            locked = time.monotonic()
            go_on(4.0, send)
            released = time.monotonic()
            fed = listener.since(locked, "WATCHDOG=1")
            other.execute("ROLLBACK")
            other.close()
            until(lambda: listener.since(released, "WATCHDOG=1"), 5, send)
            code, said = daemon.stop()
        finally:
            daemon.kill()
    # A second may pass until rows are due, and it may be fed once more for the time until then.
    assert all(at < locked + 2.5 for at in fed)
    assert code == 0, said
    assert "keeper thread stalled" in said
    assert "keeper thread running again" in said


def test_fed_while_the_disk_does_not_respond(tmp_path: Path, listener: Listener) -> None:
    (tmp_path / "data").mkdir()
    disk = Disk(tmp_path, tmp_path / "data")
    with pty() as (master, name):
        config = write_config(tmp_path, name)
        daemon = Running(config, **environ(tmp_path), **disk.environ)

        def send() -> None:
            os.write(master, line(4.0, 0.04))
            listener.poll()

        try:
            until(lambda: len(listener.since(0, "WATCHDOG=1")) > 3, 15, send)
            disk.stall()
            daemon.wait_status(config, lambda status: status.stalled_s > 3.0, 20.0)
            stalled = time.monotonic()
            go_on(3 * WATCHDOG_S, send)
            assert len(listener.since(stalled, "WATCHDOG=1")) >= 2
        finally:
            disk.stall(stalls=False)
            daemon.kill()


HANGING = """
import os, time
import msgspec
import numpy as np
from drivers.contract import SampleBlock

class Hanging:
    class Options(msgspec.Struct, forbid_unknown_fields=True):
        hang_if: str

    finite = False

    def __init__(self, options):
        self._file, self.counters = options.hang_if, {}

    def open(self): ...
    def close(self): ...
    def notices(self):
        return []

    def read(self, timeout_s, linger_s):
        while os.path.exists(self._file):
            time.sleep(0.1)
        time.sleep(0.05)
        return SampleBlock(np.array([time.time_ns() // 1000 * 1000]), np.zeros(1), np.zeros(1))
"""


@pytest.mark.realtime
def test_not_fed_while_a_read_hangs(tmp_path: Path, listener: Listener) -> None:
    site = tmp_path / "site"
    info = site / "hanging-1.dist-info"
    info.mkdir(parents=True)
    (site / "hanging_driver_of_test.py").write_text(HANGING)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: hanging\nVersion: 1\n")
    (info / "entry_points.txt").write_text(
        "[mismatchd.drivers]\nhanging = hanging_driver_of_test:Hanging\n"
    )
    flag = tmp_path / "hang"
    config = write_config(tmp_path, "", driver=f"{{kind: hanging, hang_if: {flag}}}")
    path = os.pathsep.join([str(site), *filter(None, [os.environ.get("PYTHONPATH")])])
    daemon = Running(config, PYTHONPATH=path, **environ(tmp_path))
    try:
        until(lambda: len(listener.since(0, "WATCHDOG=1")) > 2, 15, listener.poll)
        flag.touch()
        hung = time.monotonic()
        go_on(1.5 * WATCHDOG_S, listener.poll)
        assert listener.since(hung + WATCHDOG_S / 2, "WATCHDOG=1") == []
        flag.unlink()
        back = time.monotonic()
        until(lambda: listener.since(back, "WATCHDOG=1"), 5, listener.poll)
        code, said = daemon.stop()
    finally:
        daemon.kill()
    assert code == 0, said
    assert "capture thread stalled" in said


@pytest.mark.realtime
def test_fed_while_the_disk_takes_nothing(tmp_path: Path, listener: Listener) -> None:
    """A new start would find no more space, and a daemon that is ended tells nobody."""
    with pty() as (master, name):
        config = write_config(tmp_path, name)
        daemon = Running(config, **environ(tmp_path))

        def send() -> None:
            os.write(master, line(4.0, 0.04))
            listener.poll()

        try:
            until(lambda: len(listener.since(0, "WATCHDOG=1")) > 2, 15, send)
            limits = resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE)
            resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (4096, limits[1]))
            full = time.monotonic()
            go_on(2.5 * WATCHDOG_S, send)
            fed = listener.since(full + WATCHDOG_S, "WATCHDOG=1")
            resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, limits)
            go_on(2.0, send)
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert len(fed) >= 2
    assert code == 0, said
    assert "the store accepts rows again" in said


def test_what_a_refusal_says_of_the_disk(tmp_path: Path) -> None:
    store = StoreWriter.open(tmp_path / "full.sqlite")
    store.database.execute("PRAGMA max_page_count = 1")
    with pytest.raises(StoreError) as full:
        store.write([transmission(T0 + number) for number in range(1000)])
    assert disk_takes_nothing(full.value)
    other = sqlite3.connect(store.path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    store.database.execute("PRAGMA busy_timeout = 0")
    with pytest.raises(StoreError) as locked:
        store.write([transmission()])
    assert not disk_takes_nothing(locked.value)
    other.close()
    store.close()


@pytest.mark.realtime
def test_the_trace_of_a_hung_thread_is_left_behind(tmp_path: Path) -> None:
    """The service manager's watchdog sends SIGABRT."""
    with pty() as (master, name):
        config = write_config(tmp_path, name)
        daemon = Running(config)
        try:
            until(lambda: pairs_read(config), 15, lambda: os.write(master, line(0, 0)))
            os.kill(daemon.process.pid, 6)
            _, said = daemon.process.communicate(timeout=scale(10))
        finally:
            daemon.kill()
    assert b"daemon.py" in said
    assert b"capture_loop.py" in said
    assert b"store_loop.py" in said


# the unit


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit with a program that is there."""
    text = UNIT.read_text()
    assert text.count("/opt/mismatchd/bin/mismatchd ") == 1
    path = tmp_path / UNIT.name
    path.write_text(text.replace("/opt/mismatchd/bin/mismatchd ", f"{sys.executable} "))
    return path


def analyze(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [needed("systemd-analyze"), *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=scale(60),
        check=False,
    )


def test_the_unit_is_sound(unit: Path) -> None:
    done = analyze("verify", "--man=no", unit)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.parametrize(
    "name",
    [
        "mismatchd-page.service",
        "mismatchd-backup.service",
        "mismatchd-backup.timer",
        "mismatchd-push.service",
        "mismatchd-push.timer",
    ],
)
def test_the_other_units_are_sound_and_shut(tmp_path: Path, name: str) -> None:
    for unit in UNIT.parent.glob("mismatchd*.*"):
        text = unit.read_text().replace("/opt/mismatchd/bin/mismatchd ", f"{sys.executable} ")
        (tmp_path / unit.name).write_text(text)
    done = analyze("verify", "--man=no", tmp_path / name)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    if name.endswith(".service"):
        done = analyze("security", "--offline=yes", "--no-pager", "--threshold=20", tmp_path / name)
        assert done.returncode == 0, done.stdout
        settings = dict(settings_of(tmp_path / name))
        assert (settings["User"], settings["StateDirectory"]) == ("mismatchd", "mismatchd")
        assert "MemoryMax" in settings


def test_the_template_is_the_unit_with_a_name(tmp_path: Path) -> None:
    template = UNIT.with_name("mismatchd@.service")
    wanted = [
        (key, value.replace("/etc/mismatchd/config.yaml", "/etc/mismatchd/%i.yaml"))
        for key, value in settings_of(UNIT)
    ]
    place = wanted.index(("StateDirectory", "mismatchd"))
    wanted[place] = ("StateDirectory", "mismatchd-%i")
    wanted.insert(wanted.index(("DynamicUser", "yes")), ("User", "mismatchd"))
    found = settings_of(template)
    assert found[0] == ("Description", f"{wanted[0][1]} of %i")
    assert found[1:] == wanted[1:]
    text = template.read_text().replace("/opt/mismatchd/bin/mismatchd ", f"{sys.executable} ")
    (tmp_path / template.name).write_text(text)
    done = analyze("verify", "--man=no", tmp_path / "mismatchd@pier.service")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_a_fault_in_the_unit_would_be_found(unit: Path) -> None:
    unit.write_text(unit.read_text().replace("WatchdogSec=60", "WatchdogSec=soon"))
    assert "soon" in analyze("verify", "--man=no", unit).stderr


def test_the_unit_is_rated_2_0_or_better(unit: Path) -> None:
    done = analyze("security", "--offline=yes", "--no-pager", "--threshold=20", unit)
    assert done.returncode == 0, done.stdout
    rating = re.search(r"exposure level for \S+: (\d+\.\d)", done.stdout)
    assert rating is not None
    assert float(rating[1]) <= 2.0
    open_ones = {
        row["name"]
        for row in json.loads(analyze("security", "--offline=yes", "--json=short", unit).stdout)
        if row["set"] is False
    }
    # What serial ports, the network and asking for the state of the clock need, and no more.
    assert open_ones == {
        "DeviceAllow=",
        "IPAddressDeny=",
        "PrivateDevices=",
        "PrivateNetwork=",
        "PrivateUsers=",
        "ProtectClock=",
        "RestrictAddressFamilies=~AF_(INET|INET6)",
        "RestrictAddressFamilies=~AF_UNIX",
        "RootDirectory=/RootImage=",
        "SupplementaryGroups=",
        "SystemCallFilter=~@clock",
        "SystemCallFilter=~@privileged",
    }


def settings_of(path: Path) -> list[tuple[str, str]]:
    lines = [text for text in path.read_text().splitlines() if "=" in text and text[0] != "#"]
    return [(name, value) for name, _, value in (text.partition("=") for text in lines)]


def test_restarts_go_on_for_ever_but_for_wrong_configuration() -> None:
    unit = dict(settings_of(UNIT))
    assert unit["Type"] == "notify"
    assert unit["Restart"] == "on-failure"
    assert unit["RestartPreventExitStatus"] == "2"
    assert "--wait-for-bridge" in unit["ExecStart"].split()
    paced_s = int(unit["RestartSec"]) * int(unit["StartLimitBurst"])
    assert paced_s > int(unit["StartLimitIntervalSec"])
    # A stalled store is noticed after the busy timeout, well within the watchdog's time.
    assert int(unit["WatchdogSec"]) > 2 * 5


def test_every_kind_of_serial_port_is_let_through() -> None:
    from drivers.serial_ports import PROBABLY

    allowed = {value for name, value in settings_of(UNIT) if name == "DeviceAllow"}
    wired = set(PROBABLY) - {"ttyGS", "rfcomm"}
    assert allowed == {f"char-{kind} rw" for kind in wired}


MATCHES = {"ACTION", "SUBSYSTEM", "ATTRS", "ENV"}
ASSIGNS = {"SYMLINK", "ENV", "TAG"}


def test_the_udev_rule_is_well_formed() -> None:
    text = (ROOT / "systemd/70-mismatchd.rules").read_text()
    (rule,) = [part for part in text.splitlines() if part and not part.startswith("#")]
    tokens = [re.fullmatch(r'(\w+)(\{\w+\})?(==|!=|\+=|=)"([^"]*)"', t) for t in rule.split(", ")]
    assert all(tokens)
    found = [token.groups() for token in tokens if token]
    for key, _, operator, _ in found:
        assert key in (MATCHES if operator in ("==", "!=") else ASSIGNS)
    assert ("SYMLINK", None, "+=", "mismatchd-bridge") in found
    assert ("ENV", "{SYSTEMD_WANTS}", "+=", "mismatchd.service") in found


def test_a_socket_that_cannot_be_made_is_one_line(tmp_path: Path) -> None:
    store = tmp_path / "station.sqlite"
    (tmp_path / "station.sqlite.socket").mkdir()
    with pytest.raises(StatusError, match=r"station\.sqlite\.socket: cannot create the socket for"):
        StatusSocket(store, dict)


def test_a_wake_ends_one_wait(tmp_path: Path) -> None:
    with StatusSocket(tmp_path / "station.sqlite", dict) as socket:
        socket.wake()
        begun = time.monotonic()
        socket.serve(60.0)
        assert time.monotonic() - begun < 50
        begun = time.monotonic()
        socket.serve(0.1)
        assert time.monotonic() - begun >= 0.1
