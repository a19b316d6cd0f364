"""Every driver of the package passes the contract suite."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
import tty
from importlib.metadata import distribution
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from drivers.contract import ENTRY_POINTS, SampleBlock
from drivers.contract_suite import Bench, DriverContract, Reader, make_driver
from drivers.found import OWN
from drivers.frames.messages import Identity, Settings, command
from drivers.recording import Chunk, Header, Writer
from drivers.text_lines.driver import TextLinesDriver
from drivers.timeline import host_ns
from tests.counterparts import Broker
from tests.deadlines import scale
from tests.frames_encoder import pack_block, pack_identity
from tests.iio_bench import BufferedBench, PolledBench
from tests.servers import free_port

pytestmark = pytest.mark.realtime

T0_NS = 1_772_000_000_000_000_000


class TextLinesBench(Bench):
    """A bridge at a pseudo-terminal behind a name that stays."""

    kind = "text-lines"
    sends = True
    reconnects = True

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._name = folder / "by-id-of-a-board"
        self.restore()

    def options(self) -> dict[str, Any]:
        return {"port": str(self._name), "columns": ["forward_mv", "reflected_mv"]}

    def absent(self) -> dict[str, Any]:
        return {"port": str(self.folder / "no-such-port")}

    def say(self, number: int, forward_v: float, reflected_v: float) -> None:
        with contextlib.suppress(BlockingIOError):  # nobody listens
            os.write(self._master, f"{1000 * forward_v:.1f},{1000 * reflected_v:.1f}\n".encode())

    def lose(self) -> None:
        os.close(self._master)
        self._name.unlink()

    def restore(self) -> None:
        self._master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self._name.symlink_to(os.ttyname(slave))
        os.close(slave)

    def received(self) -> bytes:
        try:
            return os.read(self._master, 4096)
        except OSError:
            return b""

    def close(self) -> None:
        if self._name.is_symlink():
            os.close(self._master)


class FramesBench(TextLinesBench):
    """A bridge that speaks in frames; it says who it is before each pair, so that none waits."""

    kind = "frames"
    numbers_pairs = True
    message = b"inhibit 1500"
    arrived = command("inhibit 1500").strip(b"\0")
    settings = Settings(1, 10_000, 1, 1, 12, 0, 4095, 3300, 0)

    def options(self) -> dict[str, Any]:
        return {"port": str(self._name)}

    def say(self, number: int, forward_v: float, reflected_v: float) -> None:
        codes = np.rint(np.array([[forward_v, reflected_v]]) / self.settings.volts)
        identity = pack_identity(Identity(self.settings, 1, 0, "bench bridge"))
        clock_us = time.monotonic_ns() // 1000
        block = pack_block(self.settings, number, clock_us, codes.astype(np.uint16))
        with contextlib.suppress(BlockingIOError):  # nobody listens
            os.write(self._master, identity + block)


class UdpBench(Bench):
    """A bridge that sends datagrams to a port of this machine, and a stranger who sends others."""

    kind = "udp"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._bridge, self._stranger = (socket.socket(type=socket.SOCK_DGRAM) for _ in range(2))
        self._stranger.bind(("127.0.0.2", 0))
        with socket.socket(type=socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            self._port = free.getsockname()[1]

    def options(self) -> dict[str, Any]:
        return {
            "port": self._port,
            "address": "127.0.0.1",
            "sender": "127.0.0.1",
            "columns": ["forward_mv", "reflected_mv"],
        }

    def absent(self) -> dict[str, Any]:
        return {"port": self._port, "address": "192.0.2.1"}  # no address of this machine

    def say(self, number: int, forward_v: float, reflected_v: float) -> None:
        pair = f"{1000 * forward_v:.1f},{1000 * reflected_v:.1f}"
        self._bridge.sendto(pair.encode(), ("127.0.0.1", self._port))
        if number % 3 == 0:
            self._stranger.sendto(b"777,777", ("127.0.0.1", self._port))

    def close(self) -> None:
        self._bridge.close()
        self._stranger.close()


class MqttBench(Bench):
    """A bridge that publishes through a real broker, which can be killed and keeps an old pair."""

    kind = "mqtt"
    reconnects = True

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._broker = Broker(folder)
        self._connected = threading.Event()
        self._bridge = paho.Client(CallbackAPIVersion.VERSION2)
        self._bridge.on_connect = lambda *_: self._connected.set()
        self._bridge.on_disconnect = lambda *_: self._connected.clear()
        self._bridge.reconnect_delay_set(1, 1)
        self._broker.start()
        self._bridge.connect("127.0.0.1", self._broker.port)
        self._bridge.loop_start()
        assert self._connected.wait(scale(5))
        self._bridge.publish("shed/coupler", "777,777", qos=1, retain=True).wait_for_publish(5)

    def options(self) -> dict[str, Any]:
        return {
            "host": "127.0.0.1",
            "port": self._broker.port,
            "topic": "shed/coupler",
            "columns": ["forward_mv", "reflected_mv"],
        }

    def absent(self) -> dict[str, Any]:
        return {"host": "127.0.0.1", "port": free_port(), "topic": "shed/coupler"}

    def say(self, number: int, forward_v: float, reflected_v: float) -> None:
        if self._connected.is_set():
            pair = f"{1000 * forward_v:.1f},{1000 * reflected_v:.1f}"
            self._bridge.publish("shed/coupler", pair)

    def lose(self) -> None:
        self._broker.kill()

    def restore(self) -> None:
        self._broker.start()

    def close(self) -> None:
        self._bridge.disconnect()
        self._bridge.loop_stop()
        self._broker.kill()


class ReplayBench(Bench):
    """A CSV file of 2 s."""

    kind = "replay"
    finite = True
    host_clock = False
    speaks = False
    pace = "fast"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._file = folder / "pairs.csv"
        rows = [
            f"{1_772_000_000 + k / self.rate_hz:.6f},{forward_v},{reflected_v}"
            for k in range(200)
            for forward_v, reflected_v in [self.pairs[k % len(self.pairs)]]
        ]
        self._file.write_text("\n".join(["time_s,forward_v,reflected_v", *rows, ""]))

    def options(self) -> dict[str, Any]:
        return {"path": str(self._file), "pace": self.pace}

    def absent(self) -> dict[str, Any]:
        return {"path": str(self.folder / "no-such-file.csv")}


class SlowReplayBench(ReplayBench):
    """The same at its own pace."""

    pace = "realtime"


class RecordingBench(ReplayBench):
    """A recording of a port."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._file = folder / "port.rec"
        writer = Writer(
            self._file, Header("text-lines", {"port": "x", "columns": ["forward_v", "reflected_v"]})
        )
        for k in range(200):
            forward_v, reflected_v = self.pairs[k % len(self.pairs)]
            writer.write(Chunk(T0_NS + k * 10_000_000, f"{forward_v},{reflected_v}\n".encode()))
        writer.close()


class SimulatedBench(Bench):
    """The simulated station as time goes by, which no script tells what to do."""

    kind = "simulated"
    host_clock = False
    speaks = False
    pace: dict[str, Any] = {"pace": "realtime"}  # noqa: RUF012

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        truth = make_driver(self.kind, self.options()).truth().chunk(0)  # type: ignore[attr-defined]
        self.pairs = tuple(zip(truth.forward_v, truth.reflected_v, strict=True))

    def options(self) -> dict[str, Any]:
        operator = {"transmissions": [{"at_s": 0.1, "duration_s": 5, "mode": "am", "power_w": 4}]}
        return {"rate_hz": 200, "operator": operator, **self.pace}


class FastSimulatedBench(SimulatedBench):
    """Ten simulated seconds at once."""

    finite = True
    pace = {"pace": "fast", "duration_s": 10}  # noqa: RUF012


class TestTextLines(DriverContract):
    bench_class = TextLinesBench


class TestFrames(DriverContract):
    bench_class = FramesBench


class TestUdp(DriverContract):
    bench_class = UdpBench


class TestMqtt(DriverContract):
    bench_class = MqttBench


class TestReplay(DriverContract):
    bench_class = ReplayBench


class TestSlowReplay(DriverContract):
    bench_class = SlowReplayBench


class TestReplayOfARecording(DriverContract):
    bench_class = RecordingBench


class TestSimulated(DriverContract):
    bench_class = SimulatedBench


class TestFastSimulated(DriverContract):
    bench_class = FastSimulatedBench


class TestIioByItsFiles(DriverContract):
    bench_class = PolledBench


class TestIioByItsBuffer(DriverContract):
    bench_class = BufferedBench


def test_no_driver_of_the_package_escapes() -> None:
    installed = distribution("mismatchd").entry_points.select(group=ENTRY_POINTS)
    tested = {case.bench_class.kind for case in DriverContract.__subclasses__()}
    assert {entry.name for entry in installed} == tested
    assert {entry.name: entry.value for entry in installed} == OWN


# The suite itself: what a driver of devices that come and go may get wrong, it finds.
# (`test_sample_driver` does the same with mistakes in the sample's own lines.)

READ, OPEN, SEND = TextLinesDriver.read, TextLinesDriver.open, TextLinesDriver.send


def lets_errors_out(driver: TextLinesDriver, timeout_s: float, linger_s: float) -> Any:
    block = READ(driver, timeout_s, linger_s)
    if driver.away:
        raise OSError("the device hung up")
    return block


def gives_up(driver: TextLinesDriver, timeout_s: float, linger_s: float) -> Any:
    block = READ(driver, timeout_s, linger_s)
    if block is None and driver.counters["link_lost"]:
        driver.given_up = True  # type: ignore[attr-defined]
    return None if hasattr(driver, "given_up") else block


def falls_behind(driver: TextLinesDriver, timeout_s: float, linger_s: float) -> Any:
    """A queue from which one pair is taken at a time, and no faster than they come."""
    queue = driver.__dict__.setdefault("queue", [])
    block = READ(driver, 0.0 if queue else timeout_s, linger_s)
    queue += [] if block is None else [block[k : k + 1] for k in range(len(block))]
    time.sleep(0.01)
    return queue.pop(0) if queue else None


def starts_a_thread(driver: TextLinesDriver) -> None:
    OPEN(driver)
    threading.Thread(target=time.sleep, args=(2,), daemon=True).start()


def sends_late(driver: TextLinesDriver, data: bytes) -> None:
    time.sleep(0.8)
    SEND(driver, data)


def fills_in(driver: TextLinesDriver, timeout_s: float, linger_s: float) -> Any:
    """The last pair again, now, when nothing comes."""
    block = READ(driver, timeout_s, linger_s)
    if block is None and (last := driver.__dict__.get("last")):
        time_ns = np.array([host_ns() // 1000 * 1000])
        return SampleBlock(time_ns, last.forward_v, last.reflected_v)
    driver.__dict__["last"] = block and block[-1:]
    return block


@pytest.mark.parametrize(
    ("name", "wrong", "case", "words"),
    [
        ("notices", lambda _: [], "comes_back_with_its_device", "the loss is not reported"),
        ("counters", {"link_lost": 0}, "comes_back_with_its_device", "the loss is not counted"),
        ("read", lets_errors_out, "comes_back_with_its_device", "the driver raised OSError"),
        ("read", gives_up, "comes_back_with_its_device", "fewer than 10 pairs"),
        ("read", falls_behind, "is_up_to_date_soon_after_it_was_made_to_wait", "falls behind"),
        ("read", fills_in, "waits_in_silence_without_work", "although the device is silent"),
        (
            "open",
            starts_a_thread,
            "ends_within_a_second_and_leaves_nothing",
            "a thread keeps running",
        ),
        ("send", sends_late, "sends_while_it_reads", "send was blocked"),
    ],
)
def test_what_is_wrong_with_a_driver_fails(
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    name: str,
    wrong: object,
    case: str,
    words: str,
) -> None:
    monkeypatch.setattr(TextLinesDriver, name, wrong)
    bench = TextLinesBench(tmp_path)
    bench.talk()
    driver = make_driver(bench.kind, bench.options())
    test = getattr(TestTextLines(), f"test_{case}")
    asked: dict[str, object] = {"bench": bench, "driver": driver}
    named = test.__func__.__annotations__
    if "reader" in named:
        driver.open()
        asked["reader"] = Reader(driver, bench)
    try:
        with pytest.raises(AssertionError, match=words):
            test(**{key: value for key, value in asked.items() if key in named})
    finally:
        bench.hush()
        driver.close()
        bench.close()


def test_own_drivers_are_those_of_the_package() -> None:
    installed = distribution("mismatchd").entry_points.select(group=ENTRY_POINTS)
    assert {entry.name: entry.value for entry in installed} == OWN
