"""Tests that every driver must pass, for its author. The only module here that needs pytest.

Describe the device on the bench, or its simulation, and name it in a test module:

    class MyBench(Bench):
        kind = "my-kind"
        ...

    class TestMyDriver(DriverContract):
        bench_class = MyBench

A test of a capability that the bench does not declare is skipped with a message. Capabilities that
can be observed (`finite`, `host_clock`, `sends`) are compared with the driver.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, ClassVar, TypeVar, cast

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.contract import (
    Driver,
    DriverError,
    EndOfInput,
    HasClock,
    LinkError,
    SampleBlock,
    Sends,
    StatesAbsence,
    WaitsForDevice,
)
from drivers.found import find
from drivers.timeline import host_ns

SLACK_S = 0.5  # extra time that a busy machine may need
CLOSE_S = 1.0
BACK_S = 5.0  # a restored device must be read again within this time
AHEAD_NS = 60_000_000  # timestamps of many arrivals at once may run ahead by this much
YEAR_2000_NS = 946_684_800 * 10**9
Result = TypeVar("Result")


class Bench:
    """The device under test and the operations on it.

    Subclass it; `kind`, `options` and, for a device that sends on demand, `say` are required.
    """

    kind: ClassVar[str]
    """The name of the driver's entry point."""

    finite: ClassVar[bool] = False
    """The input is finite, at most a few hundred thousand pairs, and can be made to wait."""

    host_clock: ClassVar[bool] = True
    """Times are those of `drivers.timeline.host_ns` (the driver says `clock = "host"`), not UTC."""

    sends: ClassVar[bool] = False
    """The device accepts messages (the driver has `send`); `received` returns what arrived."""

    message: bytes = b"inhibit\n"
    """A message that the device accepts."""

    arrived: bytes = b"inhibit"
    """The bytes of that message as they arrive on the wire."""

    reconnects: ClassVar[bool] = False
    """The device can go away and come back: `lose` and `restore`."""

    speaks: ClassVar[bool] = True
    """The device sends only what `say` makes it send. False for one that always has readings (a
    file, a simulation, a converter that is polled)."""

    numbers_pairs: ClassVar[bool] = False
    """The driver can detect lost pairs from the number given to `say`."""

    pairs: tuple[tuple[float, float], ...] = ((0.25, 0.125), (1.25, 0.375), (2.5, 0.5))
    """Forward and reflected volts of the device's pairs, in turn."""

    tolerance_v: float = 0.002
    """How far readings may be from these."""

    rate_hz: float = 100.0
    """Pairs a second."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder  # an empty folder for files and names
        self.number = 0  # of the next pair
        self._speaking: threading.Thread | None = None
        self._hush = threading.Event()

    def options(self) -> dict[str, Any]:
        """Return the keys under `driver:` besides `kind`, as in YAML."""
        raise NotImplementedError

    def absent(self) -> dict[str, Any] | None:
        """Return the options of an absent device; None if a device cannot be absent."""
        return None

    def say(self, number: int, forward_v: float, reflected_v: float) -> None:
        """Make the device send this pair. Called from a thread, never while the device is lost."""

    def lose(self) -> None:
        """Unplug the device."""

    def restore(self) -> None:
        """Plug the device in again."""

    def received(self) -> bytes:
        """Return the bytes sent to the device since the last call."""
        return b""

    def close(self) -> None:
        """Clean up the bench."""

    def talk(self) -> None:
        """Make the device send pairs continuously."""
        self._hush.clear()
        self._speaking = threading.Thread(target=self._speak, daemon=True)
        self._speaking.start()

    def hush(self) -> None:
        """Make the device stop sending."""
        self._hush.set()
        if self._speaking is not None:
            self._speaking.join()
            self._speaking = None

    def _speak(self) -> None:
        due_s = time.monotonic()
        while not self._hush.wait(max(0.0, due_s - time.monotonic())):
            forward_v, reflected_v = self.pairs[self.number % len(self.pairs)]
            self.say(self.number, forward_v, reflected_v)
            self.number += 1
            due_s += 1 / self.rate_hz


class Reader:
    """Reads a driver as the daemon does, and checks all it returns."""

    def __init__(self, driver: Driver, bench: Bench) -> None:
        self.driver = driver
        self._bench = bench
        self._begun_ns = host_ns()
        self._last_ns: int | None = None
        self._counters: dict[str, int] = {}

    def read(self, timeout_s: float = 0.25, linger_s: float = 0.0) -> SampleBlock | None:
        """Call `read` once and check every property that must hold for each call."""
        begun_s = time.monotonic()
        block = only_documented(lambda: self.driver.read(timeout_s, linger_s))
        took_s = time.monotonic() - begun_s
        assert took_s < timeout_s + linger_s + SLACK_S, f"read took {took_s:.2f} s"
        counters = dict(self.driver.counters)
        for name, count in self._counters.items():
            assert counters.get(name, -1) >= count, f"the counter {name!r} decreased"
        self._counters = counters
        if block is not None:
            self._check(block)
        return block

    def blocks(
        self, pairs: int, within_s: float = BACK_S, linger_s: float = 0.0
    ) -> list[SampleBlock]:
        """Return blocks of at least this many pairs; a finite source may give fewer."""
        blocks: list[SampleBlock] = []
        until_s = time.monotonic() + within_s
        try:
            while sum(map(len, blocks)) < pairs:
                assert time.monotonic() < until_s, f"fewer than {pairs} pairs in {within_s} s"
                block = self.read(linger_s=linger_s)
                if block is not None:
                    blocks.append(block)
        except EndOfInput:
            assert self._bench.finite, "EndOfInput is for finite sources"
        return blocks

    def drain(self) -> None:
        """Read until nothing more arrives."""
        until_s = time.monotonic() + BACK_S
        while self.read(timeout_s=0.15) is not None:
            assert time.monotonic() < until_s, "pairs arrive although the device is silent"

    def begin_anew(self) -> None:
        """Forget the time of the last pair."""
        self._last_ns = None

    def _check(self, block: SampleBlock) -> None:
        times = block.time_ns
        assert isinstance(times, np.ndarray)
        assert times.dtype == np.int64, f"times are {times.dtype}, not int64"
        assert times.ndim == 1
        assert len(times), "empty block; return None instead"
        assert (times % 1000 == 0).all(), "times are not whole microseconds"
        assert (np.diff(times) > 0).all(), "times do not increase within a block"
        if self._last_ns is not None:
            assert times[0] > self._last_ns, "times do not increase from block to block"
        self._last_ns = int(times[-1])
        if self._bench.host_clock:
            assert times[-1] <= host_ns() + AHEAD_NS, "times are not those of the host clock"
            assert times[0] >= self._begun_ns - 10**9, "times are from before the device was opened"
        else:
            assert times[0] > YEAR_2000_NS, "times are not UTC in nanoseconds since the epoch"
        columns = {"forward_v": block.forward_v, "reflected_v": block.reflected_v, **block.aux}
        for name, column in columns.items():
            assert isinstance(name, str)
            assert isinstance(column, np.ndarray), f"{name} is not an array"
            assert column.dtype == np.float64, f"{name} is {column.dtype}, not float64"
            assert column.shape == times.shape, f"{name} and the times differ in length"
        assert np.isfinite(block.forward_v).all(), "forward_v is not finite"
        assert np.isfinite(block.reflected_v).all(), "reflected_v is not finite"
        assert len(block.step_v) == 2
        assert all(step_v >= 0 for step_v in block.step_v)
        assert block.full_scale_v is None or block.full_scale_v > 0
        assert isinstance(block.gap, bool)
        assert isinstance(block.clock_step, bool)


class DriverContract:
    """The test cases. Subclass it as `Test...` and set `bench_class`."""

    bench_class: ClassVar[type[Bench]]

    @pytest.fixture
    def bench(self, tmp_path: Path) -> Iterator[Bench]:
        """Device that is sending."""
        bench = self.bench_class(tmp_path)
        bench.talk()
        yield bench
        bench.hush()
        bench.close()

    @pytest.fixture
    def driver(self, bench: Bench) -> Iterator[Driver]:
        """Driver of the device, not open."""
        driver = make_driver(bench.kind, bench.options())
        yield driver
        driver.close()

    @pytest.fixture
    def reader(self, bench: Bench, driver: Driver) -> Reader:
        """Reader of the open driver."""
        reader = Reader(driver, bench)
        only_documented(driver.open)
        return reader

    def test_says_what_it_can(self, bench: Bench, driver: Driver) -> None:
        assert isinstance(driver, cast(type, find(bench.kind)))
        assert driver.finite == bench.finite
        assert (isinstance(driver, HasClock) and driver.clock == "host") == bench.host_clock
        assert isinstance(driver, Sends) == bench.sends
        assert all(isinstance(count, int) for count in driver.counters.values())

    def test_refuses_options_it_does_not_know(self, bench: Bench) -> None:
        with pytest.raises(msgspec.ValidationError):
            make_driver(bench.kind, {**bench.options(), "no_such_key": 1})

    def test_gives_the_volts_of_the_device(self, bench: Bench, reader: Reader) -> None:
        blocks = reader.blocks(60)
        for column in (0, 1):
            sent_v = np.unique([pair[column] for pair in bench.pairs])
            name = ("forward_v", "reflected_v")[column]
            read = np.concatenate([getattr(block, name) for block in blocks])
            off_v = _nearest(read, sent_v)
            assert off_v.max() <= bench.tolerance_v, f"{name} is off by {off_v.max():.3g} V"
            if len(sent_v) <= 10:
                assert (_nearest(sent_v, read) <= bench.tolerance_v).all(), f"{name} lacks values"

    def test_collects_no_longer_than_asked(self, reader: Reader) -> None:
        for linger_s in (0.02, 0.3):
            reader.blocks(1, linger_s=linger_s)  # checks the duration

    def test_waits_in_silence_without_work(self, bench: Bench, reader: Reader) -> None:
        _needs(bench.speaks, "speaks")
        reader.blocks(10)
        bench.hush()
        reader.drain()
        cpu_s, begun_s = time.process_time(), time.monotonic()
        assert reader.read(timeout_s=0.4) is None
        assert time.monotonic() - begun_s > 0.3, "read returned long before its timeout"
        assert time.process_time() - cpu_s < 0.2, "read uses the CPU while it waits"

    def test_fills_no_gaps(self, bench: Bench, reader: Reader) -> None:
        _needs(bench.speaks and bench.host_clock, "speaks and host_clock")
        last_block = reader.blocks(10)[-1]
        bench.hush()
        reader.drain()
        time.sleep(0.5)
        bench.talk()
        first_block = reader.blocks(1)[0]
        assert first_block.time_ns[0] - last_block.time_ns[-1] > 400_000_000

    def test_tells_of_lost_pairs(self, bench: Bench, reader: Reader) -> None:
        _needs(bench.numbers_pairs, "numbers_pairs")
        assert not any(block.gap for block in reader.blocks(10)[1:])
        bench.hush()
        reader.drain()
        bench.number += 7
        bench.talk()
        blocks = reader.blocks(10)
        assert [block.gap for block in blocks] == [True] + [False] * (len(blocks) - 1)

    def test_may_be_closed_twice_and_before_it_was_open(
        self, bench: Bench, driver: Driver, reader: Reader
    ) -> None:
        other = make_driver(bench.kind, bench.options())
        only_documented(other.close)
        reader.blocks(1)
        only_documented(driver.close)
        only_documented(driver.close)

    def test_is_not_read_unless_open(self, bench: Bench, driver: Driver) -> None:
        with pytest.raises(LinkError):
            only_documented(lambda: driver.read(0.1, 0.0))
        only_documented(driver.open)
        only_documented(driver.close)
        with pytest.raises(LinkError):
            only_documented(lambda: driver.read(0.1, 0.0))

    def test_opens_again(self, bench: Bench, driver: Driver, reader: Reader) -> None:
        reader.blocks(10)
        only_documented(driver.close)
        only_documented(driver.open)
        if bench.finite:
            reader.begin_anew()  # a file may be read again from its start
        assert reader.blocks(10)

    def test_says_in_one_line_that_there_is_no_device(self, bench: Bench) -> None:
        absent = bench.absent()
        _needs(absent is not None, "absent")
        assert absent is not None
        driver = make_driver(bench.kind, absent)
        with pytest.raises(LinkError) as caught:
            only_documented(driver.open)
        driver.close()
        _one_line(str(caught.value))
        named = [str(value) for value in absent.values() if str(value) in str(caught.value)]
        assert named, f"{str(caught.value)!r} names none of {absent}"

    def test_comes_back_with_its_device(self, bench: Bench, driver: Driver, reader: Reader) -> None:
        _needs(bench.reconnects, "reconnects")
        reader.blocks(10)
        for _ in range(2):
            dropped = sum(driver.counters.values())
            assert absence_of(driver) is None
            bench.hush()
            bench.lose()
            reader.drain()
            assert reader.read(timeout_s=0.3) is None
            notices = driver.notices()
            assert notices, "the loss is not reported"
            for notice in [*notices, absence_of(driver) or "away"]:
                _one_line(notice)
            assert not driver.notices(), "notices are reported twice"
            assert sum(driver.counters.values()) > dropped, "the loss is not counted"
            bench.restore()
            bench.talk()
            assert reader.blocks(10)
            assert driver.notices(), "the return is not reported"

    def test_can_wait_for_its_device(self, bench: Bench, driver: Driver) -> None:
        _needs(bench.reconnects, "reconnects")
        if not isinstance(driver, WaitsForDevice):
            pytest.skip("the driver cannot start without its device")
        bench.hush()
        bench.lose()
        reader = Reader(driver, bench)
        only_documented(driver.open_or_wait)
        assert reader.read() is None
        _one_line(absence_of(driver) or "away")
        bench.restore()
        bench.talk()
        assert reader.blocks(10)

    def test_ends_within_a_second_and_leaves_nothing(self, bench: Bench, driver: Driver) -> None:
        bench.hush()
        for lost in [False, True] if bench.reconnects else [False]:
            files, threads = _open_files(), set(threading.enumerate())
            only_documented(driver.open)
            Reader(driver, bench).read()
            if lost:
                bench.lose()
                only_documented(lambda: driver.read(0.1, 0.0))
            begun_s = time.monotonic()
            only_documented(driver.close)
            while set(threading.enumerate()) - threads:
                assert time.monotonic() - begun_s < CLOSE_S, "a thread keeps running after close"
                time.sleep(0.01)
            assert time.monotonic() - begun_s < CLOSE_S
            if lost:
                bench.restore()
            assert len(_open_files()) <= len(files), "files are left open"

    def test_is_up_to_date_soon_after_it_was_made_to_wait(
        self, bench: Bench, reader: Reader
    ) -> None:
        _needs(not bench.finite, "not finite")
        reader.blocks(10)
        time.sleep(1.5)
        until_s = time.monotonic() + 1.0
        last_ns = 0
        while time.monotonic() < until_s:
            last_ns = int(reader.blocks(1)[-1].time_ns[-1])
        if bench.host_clock:
            assert host_ns() - last_ns < 500_000_000, "the driver falls behind"

    def test_loses_nothing_when_it_is_made_to_wait(self, bench: Bench, reader: Reader) -> None:
        _needs(bench.finite, "finite")
        first = reader.blocks(1)
        time.sleep(0.5)
        slow = sum(map(len, first + reader.blocks(10**9, within_s=60)))
        driver = make_driver(bench.kind, bench.options())
        only_documented(driver.open)
        assert sum(map(len, Reader(driver, bench).blocks(10**9, within_s=60))) == slow
        driver.close()

    def test_ends_for_good(self, bench: Bench, reader: Reader) -> None:
        _needs(bench.finite, "finite")
        reader.blocks(10**9, within_s=60)
        for _ in range(2):
            with pytest.raises(EndOfInput):
                reader.read()
        for notice in reader.driver.notices():
            _one_line(notice)

    def test_sends_while_it_reads(self, bench: Bench, driver: Driver, reader: Reader) -> None:
        _needs(bench.sends, "sends")
        assert isinstance(driver, Sends)
        bench.hush()
        reader.drain()
        bench.received()
        took_s: list[float] = []

        def send() -> None:
            time.sleep(0.1)
            begun_s = time.monotonic()
            driver.send(bench.message)
            took_s.append(time.monotonic() - begun_s)

        thread = threading.Thread(target=send)
        thread.start()
        reader.read(timeout_s=1.0)
        thread.join()
        assert took_s, "send failed"
        assert took_s[0] < 0.5, "send was blocked by read"
        received = b""
        until_s = time.monotonic() + 2
        while bench.arrived not in received and time.monotonic() < until_s:
            received += bench.received()
            time.sleep(0.01)
        assert bench.arrived in received

    def test_says_that_it_cannot_send(self, bench: Bench, driver: Driver, reader: Reader) -> None:
        _needs(bench.sends and bench.reconnects, "sends and reconnects")
        assert isinstance(driver, Sends)
        bench.hush()
        bench.lose()
        reader.drain()
        begun_s = time.monotonic()
        with pytest.raises(LinkError) as caught:
            only_documented(lambda: driver.send(bench.message))
        assert time.monotonic() - begun_s < 1 + SLACK_S
        _one_line(str(caught.value))
        bench.restore()


def absence_of(driver: Driver) -> str | None:
    """Return why the device is absent; None while it is present or the driver cannot say."""
    return driver.away if isinstance(driver, StatesAbsence) else None


def make_driver(kind: str, options: dict[str, Any]) -> Driver:
    """Make a driver of this kind with these options, as the configuration does."""
    driver = find(kind)
    parsed = msgspec.convert(options, driver.Options, dec_hook=_path)
    return driver(parsed)


def only_documented(act: Callable[[], Result]) -> Result:
    """Call `act`; any undocumented exception fails the test."""
    try:
        return act()
    except DriverError:
        raise
    except Exception as error:
        raise AssertionError(
            f"the driver raised {type(error).__name__}: {error}; only LinkError, EndOfInput allowed"
        ) from error


def _path(kind: type, value: Any) -> Any:
    if kind is Path:
        return Path(value)
    raise NotImplementedError


def _needs(declared: bool, capability: str) -> None:
    if not declared:
        pytest.skip(f"the bench does not declare: {capability}")


def _one_line(text: str) -> None:
    assert text, "the message is empty"
    assert text == text.strip()
    assert "\n" not in text, f"more than one line: {text!r}"


def _nearest(values: NDArray[np.float64], among: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the distance of each value from the nearest in `among`."""
    ordered = np.sort(among)
    right = np.clip(np.searchsorted(ordered, values), 1, max(len(ordered) - 1, 1))
    right = np.minimum(right, len(ordered) - 1)
    return np.minimum(
        np.abs(values - ordered[right]), np.abs(values - ordered[np.maximum(right - 1, 0)])
    )


def _open_files() -> list[str]:
    return os.listdir("/proc/self/fd")
