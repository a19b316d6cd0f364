"""`ports --identify`: what is behind a port, asked only when told to."""

from __future__ import annotations

import contextlib
import os
import termios
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from drivers import identify
from drivers.frames import messages
from drivers.frames.framing import frame
from drivers.frames.messages import Identity, Settings
from drivers.serial_link import SerialLink
from tests import frames_encoder, micropython
from tests.deadlines import in_time
from tests.station import mismatchd, pty

pytestmark = pytest.mark.realtime

SETTINGS = Settings(3, 1000, 8, 4, 12, 0, 4092, 5000, 0)
HELLO = frames_encoder.pack_identity(Identity(SETTINGS, 4, 0, "harbour bridge"))


@contextlib.contextmanager
def answering(answer: Callable[[bytes], bytes]) -> Iterator[tuple[str, bytearray]]:
    """A port behind which someone answers what comes; its name, and what came."""
    came, going = bytearray(), True
    with pty() as (master, name):
        os.set_blocking(master, False)

        def serve() -> None:
            while going:
                data = b""
                with contextlib.suppress(BlockingIOError):
                    data = os.read(master, 4096)
                came.extend(data)
                with contextlib.suppress(BlockingIOError):
                    os.write(master, answer(data))
                time.sleep(0.02)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield name, came
        finally:
            going = False
            thread.join()


def silent(data: bytes) -> bytes:
    return b""


def bridge(data: bytes) -> bytes:
    return b"torn\0" + HELLO if b"\x18" in data else b""


def lines(data: bytes) -> bytes:
    return b"1.234,0.056\r\n1.23"


def noise(data: bytes) -> bytes:
    return bytes([200, 13, 255, 10])


def newer(data: bytes) -> bytes:
    return b"\0" + frame(bytes([messages.kind(messages.Type.BLOCK, 3)]) + bytes(20))


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (
            bridge,
            "the bridge 'harbour bridge', wire protocol 1: a pair every 1000 µs, 8 per block;",
        ),
        (lines, "prints lines: '1.231.234,0.056'; kind: text-lines"),
        (silent, "silent for 0.4 s"),
        (noise, "sends neither frames nor lines: check the baud rate"),
        (newer, "a bridge with wire protocol 3; this program uses 1"),
    ],
)
def test_what_is_behind_a_port(answer: Callable[[bytes], bytes], words: str) -> None:
    with answering(answer) as (name, came):
        start = time.monotonic()
        assert identify.ask(name, 115200, 0.4).startswith(words)
        assert in_time(time.monotonic() - start, 1.0)
        time.sleep(0.03)
        assert came.startswith(messages.command("identify"))


def test_ports_asks_them_all_at_once_and_leaves_a_locked_one_alone(tmp_path: Path) -> None:
    with (
        answering(silent) as (locked, came),
        answering(lines) as (text, _),
        answering(silent) as (nobody, _),
        micropython.running(tmp_path) as board,
    ):
        daemon = SerialLink(locked, 9600)
        daemon.open()
        missing = str(tmp_path / "missing")
        names = [board.port, locked, text, nobody, missing, "socket://127.0.0.1:1"]
        start = time.monotonic()
        done = mismatchd("ports", "--identify", *names)
        assert in_time(time.monotonic() - start, 8)
        daemon.write(b"still mine")
        with open(locked, "rb", buffering=0) as terminal:
            assert termios.tcgetattr(terminal)[4:6] == [termios.B9600] * 2
        time.sleep(0.05)
        daemon.close()
    said = dict(line.split(": ", 1) for line in done.stdout.splitlines())
    assert list(said) == names
    assert said[board.port].startswith("the bridge 'micropython bridge 1'")
    assert said[locked].startswith("busy: another program")
    assert came == b"still mine"
    assert said[text].startswith("prints lines")
    assert said[nobody] == "silent for 4 s"
    assert "no such port" in said[missing]
    assert "check the address and that its server runs" in said["socket://127.0.0.1:1"]
    assert done.stderr == ""


def test_a_port_that_does_not_open_does_not_hold_up_the_others(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(identify, "OPEN_S", 0.1)
    free = threading.Event()
    real = identify.SerialLink.open

    def open_(link: SerialLink) -> None:
        if link._port == "stuck":
            free.wait(5)
        real(link)

    monkeypatch.setattr(identify.SerialLink, "open", open_)
    with answering(bridge) as (name, _):
        start = time.monotonic()
        stuck, asked = identify.identify(["stuck", name], 115200, 0.2)
        took_s = time.monotonic() - start
    free.set()
    assert stuck == "did not open in time"
    assert asked.startswith("the bridge")
    assert in_time(took_s, 1.0)


def test_no_port_is_opened_unasked() -> None:
    with answering(silent) as (name, came):
        done = mismatchd("ports", name, check=False)
        assert done.returncode == 2
        assert "--identify" in done.stderr
        assert not came
    said = mismatchd("ports", "--help").stdout
    assert "reboots some boards" in " ".join(said.split())


def test_arbitrary_bytes_are_survived() -> None:
    rng = np.random.default_rng(7)
    with answering(lambda data: rng.bytes(300)) as (name, _):
        assert identify.ask(name, 115200, 0.3).count("\n") == 0
