"""The driver `frames` at a real pseudo-terminal, and recordings of what came."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from drivers.contract import EndOfInput, LinkError, SampleBlock
from drivers.frames import messages
from drivers.frames.driver import UNREADABLE_S, FramesDriver, FramesOptions
from drivers.frames.framing import Deframer
from drivers.frames.messages import Identity
from drivers.recording import Header, Writer
from drivers.replay import ReplayDriver, ReplayOptions
from tests import frames_encoder
from tests.deadlines import Deadline
from tests.station import pty
from tests.test_frames_stream import HELLO, SETTINGS, block

pytestmark = pytest.mark.realtime


@pytest.fixture
def bridge() -> Iterator[tuple[int, FramesDriver]]:
    with pty() as (master, name):
        driver = FramesDriver(FramesOptions(port=name))
        driver.open()
        yield master, driver
        driver.close()


def received(master: int) -> list[bytes]:
    groups = Deframer().feed(b"\0" + os.read(master, 4096))
    return [row.tobytes() for group in groups for row in group.payload]


def pairs_of(driver: FramesDriver, wanted: int, within_s: float = 5.0) -> list[SampleBlock]:
    parts: list[SampleBlock] = []
    deadline = Deadline(within_s)
    while sum(map(len, parts)) < wanted and not deadline.has_passed():
        part = driver.read(0.1, 0.0)
        if part is not None:
            parts.append(part)
    return parts


def test_it_asks_who_is_there_and_reads(bridge: tuple[int, FramesDriver]) -> None:
    master, driver = bridge
    assert received(master) == [b"\x18"]
    os.write(master, block(0)[5:] + HELLO + b"".join(block(n) for n in range(8, 168, 8)))
    parts = pairs_of(driver, 160)
    volts = np.concatenate([part.forward_v for part in parts])
    assert np.rint(volts / SETTINGS.volts).tolist() == list(range(8, 168))
    assert driver.identity is not None
    assert driver.identity.name == "harbour bridge"
    assert driver.counters["partial"] == 1
    assert driver.counters["corrupt"] == driver.counters["lost"] == 0
    assert any("harbour bridge" in notice for notice in driver.notices())
    assert driver.notices() == []


def test_blocks_it_cannot_read_make_it_ask_again(bridge: tuple[int, FramesDriver]) -> None:
    master, driver = bridge
    received(master)
    driver._requested_s -= 1.0
    os.write(master, block(0))
    assert driver.read(1.0, 0.0) is None
    assert received(master) == [b"\x18"]


def test_commands_are_words(bridge: tuple[int, FramesDriver]) -> None:
    master, driver = bridge
    received(master)
    driver.send(b"inhibit 1500")
    assert received(master) == [b"\x1a\x01\xdc\x05"]
    with pytest.raises(LinkError, match="no command 'INHIBIT'; known commands: identify"):
        driver.send(b"INHIBIT")
    os.write(master, messages.pack(messages.Type.ANSWER, b"\x09\x01"))
    assert driver.read(1.0, 0.0) is None
    assert driver.notices() == ["the bridge refused command 9: not possible"]


def test_wishes_are_repeated_until_they_are_met_or_refused() -> None:
    set_ = b"\x19\xf4\x01\0\0\x08\x04"
    with pty() as (master, name):
        driver = FramesDriver(FramesOptions(port=name, period_us=500))
        driver.open()
        received(master)
        for _ in range(2):
            os.write(master, HELLO)
            driver.read(0.5, 0.0)
            assert received(master) == [set_]
        os.write(master, messages.pack(messages.Type.ANSWER, b"\x09\x01"))
        driver.read(0.5, 0.0)
        os.set_blocking(master, False)
        os.write(master, HELLO)
        driver.read(0.5, 0.0)
        with pytest.raises(BlockingIOError):
            received(master)
        anew = frames_encoder.pack_identity(Identity(SETTINGS._replace(boot=4), 1, 0, ""))
        os.write(master, anew)
        driver.read(0.5, 0.0)
        assert received(master) == [set_]
        driver.close()


def test_what_cannot_be_read_is_told_once() -> None:
    clock = [0.0]
    with pty() as (master, name):
        driver = FramesDriver(FramesOptions(port=name), monotonic=lambda: clock[0])
        driver.open()
        notices: list[str] = []
        for _ in range(20):
            os.write(master, b"1.234,0.056\n" * 40)
            driver.read(1.0, 0.0)
            notices += driver.notices()
            clock[0] += UNREADABLE_S / 4
        os.write(master, b"\0" + HELLO + block(0))
        driver.read(1.0, 0.0)
        notices += driver.notices()
        driver.close()
    assert [notice.split(":")[0] for notice in notices] == [
        "bytes arrive, but no readable block of pairs",
        "the bridge 'harbour bridge' sends a pair every 1000 µs, 8 pairs per block,"
        " 4 conversions per code",
        "frames readable again",
    ]


def test_another_version_is_one_message(bridge: tuple[int, FramesDriver]) -> None:
    master, driver = bridge
    payload = bytes([messages.kind(messages.Type.BLOCK, version=3)]) + bytes(30)
    os.write(master, b"".join(messages.frame(payload) for _ in range(50)))
    assert driver.read(1.0, 0.1) is None
    (notice,) = driver.notices()
    assert "version 3" in notice


def test_a_port_that_is_closed_ends_the_wait(bridge: tuple[int, FramesDriver]) -> None:
    _, driver = bridge
    driver.close()
    driver.close()
    with pytest.raises(LinkError, match="not open"):
        driver.read(1.0, 0.0)
    with pytest.raises(LinkError):
        driver.send(b"identify")


def test_a_recording_comes_back(tmp_path: Path, bridge: tuple[int, FramesDriver]) -> None:
    master, driver = bridge
    path = tmp_path / "port.rec"
    writer = Writer(path, Header("frames", {"port": "none"}))
    os.write(master, HELLO + b"".join(block(n) for n in range(0, 80, 8)))
    for chunk in driver.read_raw(1.0, 0.0):
        writer.write(chunk)
    writer.close()
    replay = ReplayDriver(ReplayOptions(path=path))
    replay.open()
    volts: list[float] = []
    with contextlib.suppress(EndOfInput):
        while part := replay.read(1.0, 0.0):
            volts += part.forward_v.tolist()
    replay.close()
    assert np.rint(np.array(volts) / SETTINGS.volts).tolist() == list(range(80))


def test_after_reopening_the_numbers_tell_what_was_lost(
    tmp_path: Path,
) -> None:
    link = tmp_path / "port"
    with pty() as (master, name):
        link.symlink_to(name)
        driver = FramesDriver(FramesOptions(port=str(link)))
        driver.open()
        os.write(master, HELLO + block(0) + block(8) + block(16)[:9])
        assert len(pairs_of(driver, 16)) >= 1
    with pty() as (master, name):
        link.unlink()
        link.symlink_to(name)
        deadline = Deadline(5)
        while driver.away is not None or driver.counters["link_lost"] == 0:
            driver.read(0.05, 0.0)
            assert not deadline.has_passed()
        os.write(master, block(80)[7:] + block(88) + block(96))
        parts = pairs_of(driver, 16)
        driver.close()
    assert [part.gap for part in parts] == [True, False][: len(parts)]
    assert driver.counters["lost"] == 72
    assert driver.counters["corrupt"] == 0
    assert driver.counters["restarted"] == 0
