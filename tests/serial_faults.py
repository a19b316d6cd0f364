"""A bridge on a cable that suffers what such bridges suffer, for tests and `bench.recovery`."""

from __future__ import annotations

import contextlib
import fcntl
import os
import random
import select
import socket
import subprocess
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from logger.live.status import ask
from tests.deadlines import wait_until
from tests.servers import free_port, needed
from tests.station import Running, line

RATE = 200
WITHIN_S = 10.0  # so long a recovery is waited for


class Bridge:
    """Prints quiet lines at RATE on a pseudo-terminal behind a name that stays.

    `garbage` and `silent` change what it prints; `hangs` that it goes on only once nobody has the
    port open.
    """

    def __init__(self, folder: Path) -> None:
        self.name = folder / "by-id-of-a-board"
        self.garbage = self.silent = self.hangs = False
        self._master = -1
        self._number = ""
        self._lock = threading.Lock()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._print, daemon=True)
        self.plug()
        self._thread.start()

    def plug(self, hold: bool = False) -> int:
        """Under a new number; `hold` keeps the port for the caller, who is to close it."""
        spare: tuple[int, ...] = ()
        master, slave = os.openpty()
        while os.ttyname(slave) == self._number:
            spare = (*spare, master, slave)
            master, slave = os.openpty()
        for descriptor in spare:
            os.close(descriptor)
        self._number = os.ttyname(slave)
        tty.setraw(slave)
        os.set_blocking(master, False)
        if hold:
            fcntl.flock(slave, fcntl.LOCK_EX)
        self.name.symlink_to(os.ttyname(slave))
        with self._lock:
            self._master = master
        if hold:
            return slave
        os.close(slave)
        return -1

    def unplug(self) -> None:
        self.name.unlink()
        with self._lock:
            os.close(self._master)
            self._master = -1

    def close(self) -> None:
        self._ended.set()
        self._thread.join()
        if self._master >= 0:
            self.unplug()

    def _print(self) -> None:
        quiet, at = line(0, 0), time.monotonic()
        chatter = random.Random(1)
        while not self._ended.is_set():
            at = max(at + 1 / RATE, time.monotonic() - 0.1)
            self._ended.wait(max(0.0, at - time.monotonic()))
            with self._lock, contextlib.suppress(OSError):  # nobody listens, or too slowly
                if self._master < 0:
                    continue
                if self.hangs and self._nobody():
                    self.hangs = False
                if self.silent or self.hangs:
                    continue
                data = chatter.randbytes(len(quiet)) if self.garbage else quiet
                os.write(self._master, data)

    def _nobody(self) -> bool:
        poll = select.poll()
        poll.register(self._master, 0)
        return bool(poll.poll(0))  # POLLHUP


@contextlib.contextmanager
def ser2net(
    folder: Path, port: Path, scheme: str = "rfc2217"
) -> Iterator[tuple[str, Callable[[], None], Any]]:
    """The URL of a real server for a port, what starts it, and what kills it."""
    telnet, end = {"rfc2217": ("telnet(rfc2217),", "?ign_set_control"), "socket": ("", "")}[scheme]
    number = free_port()
    config = folder / "ser2net.yaml"
    config.write_text(
        "connection: &one\n"
        f"  accepter: {telnet}tcp,127.0.0.1,{number}\n"
        f"  connector: serialdev(nouucplock),{port.resolve()},115200n81,local\n"
    )
    slave = os.open(port, os.O_RDWR | os.O_NOCTTY)  # a pty whose slave nobody has hangs up
    running: list[subprocess.Popen[bytes]] = []

    def start() -> None:
        command = [needed("ser2net"), "-n", "-d", "-c", str(config)]
        quiet = subprocess.DEVNULL
        running.append(subprocess.Popen(command, stdout=quiet, stderr=quiet))

    def kill() -> None:
        while running:
            process = running.pop()
            process.kill()
            process.wait()

    try:
        yield f"{scheme}://127.0.0.1:{number}{end}", start, kill
    finally:
        kill()
        os.close(slave)


def counters(config: Path) -> dict[str, int]:
    """Those of the running daemon."""
    status = wait_until(lambda: ask(config.parent / "data/station.sqlite"))
    assert status
    return dict(status.counters)


def recovery_s(daemon: Running, config: Path, since: float, before: int) -> float:
    """How long after `since` (monotonic) more than `before` lines have been read, and go on
    being read as they come."""

    def reads() -> bool:
        assert daemon.process.poll() is None
        return counters(config)["lines"] > before

    assert wait_until(reads, WITHIN_S), "no line has been read"
    return time.monotonic() - since


def unplugged(bridge: Bridge, lines: Callable[[], int]) -> tuple[float, int]:
    """Unplugged for 1.5 s and back under another number."""
    was = bridge.name.resolve()
    bridge.unplug()
    time.sleep(1.5)
    before = lines()
    bridge.plug()
    assert bridge.name.resolve() != was
    return time.monotonic(), before


def chattering(bridge: Bridge, lines: Callable[[], int]) -> tuple[float, int]:
    """A board that prints garbage for 1.5 s, as when it starts anew and again."""
    bridge.garbage = True
    time.sleep(1.5)
    before = lines()
    bridge.garbage = False
    return time.monotonic(), before


def held(bridge: Bridge, lines: Callable[[], int]) -> tuple[float, int]:
    """Another program is quicker when the port comes back, and holds it for 1.5 s."""
    bridge.unplug()
    time.sleep(0.3)
    port = bridge.plug(hold=True)
    time.sleep(1.5)
    before = lines()
    os.close(port)
    return time.monotonic(), before


def hung(bridge: Bridge, lines: Callable[[], int]) -> tuple[float, int]:
    """Silent without an error until the port is closed and opened again."""
    bridge.hangs = True
    time.sleep(0.1)
    return time.monotonic(), lines()


FAULTS = (unplugged, chattering, held, hung)


class Fountain:
    """A bridge at the end of a network, where a flood is limited by nothing. Each line has the
    forward volts `mark`."""

    def __init__(self) -> None:
        self.flood = False
        self.mark = 0.0
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.1)
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._print, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._ended.set()
        self._thread.join()
        self._server.close()

    def _print(self) -> None:
        while not self._ended.is_set():
            with contextlib.suppress(OSError):
                peer, _ = self._server.accept()
                with peer:
                    peer.settimeout(1.0)
                    while not self._ended.is_set():
                        text = f"{self.mark:.4f},0.0000\n".encode()
                        peer.sendall(text * (20_000 if self.flood else 1))
                        if not self.flood:
                            self._ended.wait(1 / RATE)
