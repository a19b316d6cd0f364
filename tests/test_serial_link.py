"""The serial link over pseudo-terminals, a TCP server and a real RFC 2217 server."""

from __future__ import annotations

import errno
import grp
import os
import shutil
import socket
import subprocess
import termios
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from drivers.contract import LinkError
from drivers.serial_link import SerialLink, why_not_open
from drivers.serial_ports import SerialPort, format_ports, list_ports
from tests.deadlines import Deadline, in_time, scale

pytestmark = pytest.mark.realtime


class Cable:
    """A pseudo-terminal whose slave stands behind a name that stays, like a by-id link."""

    def __init__(self, folder: Path) -> None:
        self.name = str(folder / "by-id-of-a-board")
        self.master = -1
        self.plug()

    def plug(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        Path(self.name).symlink_to(os.ttyname(slave))
        os.close(slave)

    def unplug(self) -> None:
        os.close(self.master)
        self.master = -1
        Path(self.name).unlink()

    def send(self, data: bytes) -> None:
        os.write(self.master, data)


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    cable = Cable(tmp_path)
    yield cable
    if cable.master >= 0:
        os.close(cable.master)


@pytest.fixture(autouse=True)
def no_descriptor_is_left() -> Iterator[None]:
    before = len(os.listdir("/proc/self/fd"))
    yield
    assert len(os.listdir("/proc/self/fd")) == before


@pytest.fixture
def make_link() -> Iterator[Callable[..., SerialLink]]:
    links = []

    def make(port: str, baud: int = 115200, **more: Any) -> SerialLink:
        links.append(SerialLink(port, baud, **more))
        return links[-1]

    yield make
    for link in links:
        link.close()


Make = Callable[..., SerialLink]


def read_until(link: SerialLink, length: int, within_s: float = 5.0) -> bytes:
    data = b""
    deadline = Deadline(within_s)
    while len(data) < length and not deadline.has_passed():
        data += link.read(0.1)
    return data


def wait_until_back(link: SerialLink, within_s: float = 5.0) -> None:
    deadline = Deadline(within_s)
    while link.generation == 1 and not deadline.has_passed():
        assert link.read(0.1) == b""
    assert link.generation == 2


def test_reads_and_writes(cable: Cable, make_link: Make) -> None:
    link = make_link(cable.name)
    link.open()
    assert link.generation == 1
    assert link.read(0) == b""
    cable.send(b"1.000,0.100\n")
    assert link.read(1) == b"1.000,0.100\n"
    link.write(b"hello\n")
    assert os.read(cable.master, 100) == b"hello\n"
    assert link.notices() == []
    link.close()
    link.close()
    with pytest.raises(LinkError, match="is not open"):
        link.read(0)
    with pytest.raises(LinkError, match="not connected; nothing was written"):
        link.write(b"x")
    link.open()
    assert link.generation == 2


def test_waits_as_long_as_told_without_burning(cable: Cable, make_link: Make) -> None:
    link = make_link(cable.name)
    link.open()
    cpu, start = time.process_time(), time.monotonic()
    assert link.read(0.3) == b""
    assert in_time(time.monotonic() - start, 0.6, at_least_s=0.29)
    assert time.process_time() - cpu < 0.1


def test_unplugged_and_replugged_under_another_number(cable: Cable, make_link: Make) -> None:
    link = make_link(cable.name)
    link.open()
    cable.send(b"a")
    assert link.read(1) == b"a"
    was = os.path.realpath(cable.name)
    held, filler = os.openpty()  # so that the next number is another one
    try:
        cable.unplug()
        cpu, start = time.process_time(), time.monotonic()
        assert link.read(0.6) == b""
        assert in_time(time.monotonic() - start, 0.9, at_least_s=0.59)
        assert time.process_time() - cpu < 0.1
        (lost,) = link.notices()
        assert f"{cable.name} lost: " in lost
        third, third_slave = os.openpty()  # takes the number that became free
        cable.plug()
        os.close(third)
        os.close(third_slave)
    finally:
        os.close(held)
        os.close(filler)
    assert os.path.realpath(cable.name) != was
    wait_until_back(link)
    cable.send(b"b")
    assert read_until(link, 1) == b"b"
    (back,) = link.notices()
    assert f"{cable.name} reconnected after " in back


def test_still_away_is_told_with_its_reason(cable: Cable, make_link: Make) -> None:
    link = make_link(cable.name)
    link.open()
    cable.unplug()
    link.read(0.05)
    Path(cable.name).write_text("no device")
    link.read(1.2)  # three attempts
    lost, why = link.notices()
    assert "lost" in lost
    assert "check that it is a serial port" in why
    Path(cable.name).unlink()


def test_close_ends_a_read_in_another_thread(cable: Cable, make_link: Make) -> None:
    for unplugged in (False, True):
        link = make_link(cable.name)
        link.open()
        if unplugged:
            cable.unplug()
        got: list[bytes] = []
        reader = threading.Thread(target=lambda link=link, got=got: got.append(link.read(30)))
        reader.start()
        time.sleep(0.1)
        start = time.monotonic()
        link.close()
        reader.join(scale(5))
        assert in_time(time.monotonic() - start, 1)
        assert got == [b""]


def test_busy(cable: Cable, make_link: Make) -> None:
    make_link(cable.name).open()
    with pytest.raises(LinkError) as raised:
        make_link(cable.name).open()
    assert str(raised.value) == (
        f"cannot open {cable.name}: another program holds it; stop that program "
        f"(`fuser -v {cable.name}` names it)"
    )


def test_missing(tmp_path: Path, make_link: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    port = f"{tmp_path}/none"
    ports = [SerialPort("/dev/ttyUSB0", ("/dev/serial/by-id/x",), "", "")]
    for there, words in (
        (ports, "available: /dev/ttyUSB0 (/dev/serial/by-id/x)"),
        ([], "there are no serial ports: plug the board in"),
    ):
        monkeypatch.setattr("drivers.serial_ports.list_ports", lambda there=there: there)
        with pytest.raises(LinkError) as raised:
            make_link(port).open()
        assert str(raised.value) == f"cannot open {port}: no such port; {words}"


def test_permission_names_the_group_of_the_device(tmp_path: Path) -> None:
    port = tmp_path / "device"
    port.touch()
    group = next(entry for entry in grp.getgrall() if entry.gr_gid != 0)
    error = PermissionError(errno.EACCES, "Permission denied")
    if os.geteuid() == 0:
        os.chown(port, 0, group.gr_gid)
    elif os.getegid() != 0:
        group = grp.getgrgid(port.stat().st_gid)
    port.chmod(0o660)
    told = why_not_open(str(port), error)
    assert f"belongs to group {group.gr_name}; run `sudo usermod -aG {group.gr_name} " in told
    assert "then log in again" in told
    port.chmod(0o600)
    assert "udev rule" in why_not_open(str(port), error)


def test_no_serial_port_at_all(tmp_path: Path, make_link: Make) -> None:
    for port in (os.devnull, str(tmp_path), "nonsense://x", "socket://127.0.0.1"):
        with pytest.raises(LinkError, match=f"^cannot open {port}: ") as raised:
            make_link(port).open()
        assert len(str(raised.value).splitlines()) == 1
        assert ";" in str(raised.value)


def test_impossible_baud(cable: Cable, make_link: Make) -> None:
    with pytest.raises(LinkError, match="correct the port or the baud rate"):
        make_link(cable.name, -1).open()


@pytest.mark.parametrize("baud", [9600, 117_647, 1_000_000])
def test_board_that_must_not_be_reset(cable: Cable, make_link: Make, baud: int) -> None:
    link = make_link(cable.name, baud, reset_on_open=False)
    link.open()
    slave = os.open(cable.name, os.O_RDWR | os.O_NOCTTY)
    try:
        assert not termios.tcgetattr(slave)[2] & termios.HUPCL
    finally:
        os.close(slave)


def test_socket(make_link: Make) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(5)
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        link = make_link(url)
        link.open()
        peer, _ = server.accept()
        with peer:
            peer.sendall(b"1,2\n")
            assert link.read(2) == b"1,2\n"
            link.write(b"x")
            assert peer.recv(10) == b"x"
            assert link.read(0.05) == b""
        start = time.monotonic()
        assert link.read(0.1) == b""
        assert in_time(time.monotonic() - start, 0.2)
        assert "lost" in link.notices()[0]
        peer, _ = server.accept()
        with peer:
            wait_until_back(link)
            peer.sendall(b"3,4\n")  # not before: what comes while it opens, pyserial throws away
            assert read_until(link, 4) == b"3,4\n"
            assert "reconnected after" in link.notices()[0]
            link.close()
    with pytest.raises(LinkError, match="check the address and that its server runs"):
        link.open()


def test_link_without_a_descriptor(make_link: Make) -> None:
    link = make_link("loop://")
    link.open()
    link.write(b"abc")
    assert link.read(1) == b"abc"
    start = time.monotonic()
    assert link.read(0.1) == b""
    assert in_time(time.monotonic() - start, 0.3, at_least_s=0.09)


@pytest.mark.filterwarnings("ignore:setDaemon:DeprecationWarning", "ignore:setName")
def test_rfc2217(tmp_path: Path, cable: Cable, make_link: Make) -> None:
    program = shutil.which("ser2net", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    if program is None:
        assert os.environ.get("CI") != "true", "ser2net must be installed"
        pytest.skip("ser2net is not installed")
    with socket.create_server(("127.0.0.1", 0)) as free:
        number = free.getsockname()[1]
    config = tmp_path / "ser2net.yaml"
    config.write_text(
        "connection: &one\n"
        f"  accepter: telnet(rfc2217),tcp,127.0.0.1,{number}\n"
        f"  connector: serialdev(nouucplock),{os.path.realpath(cable.name)},115200n81,local\n"
    )
    slave = os.open(cable.name, os.O_RDWR | os.O_NOCTTY)
    command = [program, "-n", "-d", "-c", str(config)]
    link = make_link(f"rfc2217://127.0.0.1:{number}?ign_set_control")
    try:
        with subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        ) as server:
            try:
                _open_when_ready(link)
                cable.send(b"1,2\n" * 100)
                assert read_until(link, 400) == b"1,2\n" * 100
                link.write(b"\xff!")
                assert os.read(cable.master, 10) == b"\xff!"
            finally:
                server.kill()
        cpu, start = time.process_time(), time.monotonic()
        link.read(0.5)
        assert in_time(time.monotonic() - start, 0.7)
        assert time.process_time() - cpu < 0.2
        assert "lost" in link.notices()[0]
        with subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        ) as server:
            try:
                wait_until_back(link, within_s=15)
                cable.send(b"back")
                assert read_until(link, 4) == b"back"
            finally:
                server.kill()
        link.close()
    finally:
        os.close(slave)


def _open_when_ready(link: SerialLink) -> None:
    for _ in range(50):
        try:
            link.open()
            return
        except LinkError:
            time.sleep(0.1)
    link.open()


def test_ports(tmp_path: Path) -> None:
    dev = tmp_path / "dev"
    for folder in ("serial/by-id", "serial/by-path"):
        (dev / folder).mkdir(parents=True)
    for name in ("ttyUSB1", "ttyACM0"):
        (dev / name).touch()
    (dev / "serial/by-path/hub-2").symlink_to("../../ttyUSB1")
    (dev / "serial/by-id/adapter").symlink_to("../../ttyUSB1")
    found = [
        SimpleNamespace(
            device=f"{dev}/ttyUSB1", name="ttyUSB1", description="Serial", vid=0x1A, pid=0xB
        ),
        SimpleNamespace(
            device=f"{dev}/ttyACM0", name="ttyACM0", description="n/a", vid=None, pid=None
        ),
    ]
    acm, usb = list_ports(lambda: found, dev / "serial")
    assert acm == SerialPort(f"{dev}/ttyACM0", (), "", "microcontroller with native USB")
    assert usb.stable == (f"{dev}/serial/by-id/adapter", f"{dev}/serial/by-path/hub-2")
    assert usb.description == "Serial 001a:000b"
    assert format_ports([usb]).splitlines() == [
        f"{dev}/ttyUSB1: USB serial adapter, alone or on a microcontroller board "
        "(Serial 001a:000b)",
        f"    {dev}/serial/by-id/adapter",
        f"    {dev}/serial/by-path/hub-2",
    ]
    assert "no serial ports found" in format_ports([])
    list_ports()  # whatever this machine has


def test_a_port_closed_to_us_at_the_start_is_waited_for(cable: Cable) -> None:
    link = SerialLink(cable.name, 115200)
    if os.geteuid() == 0:
        os.seteuid(65534)
    else:
        os.chmod(cable.name, 0)
    try:
        link.open(wait=True)
        assert link.away is not None
        assert "no permission" in link.away
        assert link.read(0.5) == b""
    finally:
        if os.getuid() == 0:
            os.seteuid(0)
        else:
            os.chmod(cable.name, 0o600)
    begun = time.monotonic()
    while not (data := link.read(0.1)):
        assert in_time(time.monotonic() - begun, 3.0)
        cable.send(b"x\n")
    assert data.startswith(b"x\n")
    assert (link.away, link.generation, link.counters["link_lost"]) == (None, 1, 1)
    lost, there = link.notices()
    assert lost.endswith("waiting for it")
    assert " connected after " in there
    link.close()


def test_what_could_never_be_opened_is_not_waited_for(cable: Cable) -> None:
    for link in (SerialLink("nonsense://x", 115200), SerialLink(cable.name, 2**40)):
        with pytest.raises(LinkError):
            link.open(wait=True)
