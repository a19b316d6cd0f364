"""Arrivals: quiet data may wait, a reading that could start something never does."""

from __future__ import annotations

from itertools import pairwise

import pytest

from drivers.arrivals import DEFER_S, Arrivals
from drivers.recording import Chunk
from drivers.text_lines.driver import LineOptions, TextStream

LINGER_S = 0.04
BELOW = (0.1, 0.1)
QUIET, KEYED = b"0.002,0.001\n", b"1.5,0.2\n"


class Port:
    """A link with 200 lines a second, on a clock of its own."""

    generation = 1
    away = None

    def __init__(self, keyed_s: float) -> None:
        self.now_s = 0.0
        self._keyed_s = keyed_s
        self._taken = 0  # lines

    def open(self, *, wait: bool = False) -> None: ...

    def close(self) -> None: ...

    def notices(self) -> list[str]:
        return []

    @property
    def counters(self) -> dict[str, int]:
        return {}

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds

    def read(self, timeout_s: float) -> bytes:
        if timeout_s:
            self.now_s += 0.005
        ready = int(self.now_s * 200 + 1e-6)
        lines = [KEYED if n / 200 > self._keyed_s else QUIET for n in range(self._taken, ready)]
        self._taken = ready
        return b"".join(lines)


def begun(port: Port) -> Arrivals:
    arrivals = Arrivals(
        port,
        lambda: None,
        now_ns=lambda: round(1e9 * port.now_s),
        monotonic=lambda: port.now_s,
        sleep=port.sleep,
    )
    arrivals.begin()
    return arrivals


def read(
    port: Port, stream: TextStream, arrivals: Arrivals | None = None, timeout_s: float = 1.0
) -> list[Chunk]:
    arrivals = arrivals or begun(port)
    return arrivals.read(timeout_s, LINGER_S, lambda data: stream.is_below(data, BELOW))


@pytest.fixture
def stream() -> TextStream:
    stream = TextStream(LineOptions(columns=["forward_v", "reflected_v"]))
    stream.feed([Chunk(0, QUIET)])
    return stream


def test_quiet_data_waits_without_losing_its_times(stream: TextStream) -> None:
    port = Port(keyed_s=10.0)
    chunks = read(port, stream)
    assert DEFER_S - LINGER_S <= port.now_s <= DEFER_S + LINGER_S
    assert sum(chunk.data.count(b"\n") for chunk in chunks) == int(port.now_s * 200 + 1e-6)
    for former, chunk in pairwise(chunks):
        assert chunk.arrival_ns - former.arrival_ns == chunk.pause_ns == 1e9 * LINGER_S


def test_the_first_data_after_an_absence_does_not_wait(stream: TextStream) -> None:
    port = Port(keyed_s=10.0)
    arrivals = begun(port)
    port.generation += 1
    assert not read(port, stream, arrivals, timeout_s=0.0)  # nothing has come yet
    assert read(port, stream, arrivals)
    assert port.now_s <= LINGER_S + 0.01
    read(port, stream, arrivals)
    assert port.now_s >= DEFER_S


@pytest.mark.parametrize("keyed_s", [0.012, 0.05, 0.1, 0.17])
def test_a_reading_that_may_start_something_does_not_wait(
    stream: TextStream, keyed_s: float
) -> None:
    port = Port(keyed_s)
    chunks = read(port, stream)
    # One line is at a place where it may be incomplete, so the linger may begin once more.
    assert port.now_s <= keyed_s + LINGER_S + 0.01
    assert KEYED in chunks[-1].data


@pytest.mark.parametrize("data", [KEYED, b"garbled\n", b"nan,0\n", b"", b"0.0", QUIET * 200])
def test_what_is_not_surely_quiet_is_not(stream: TextStream, data: bytes) -> None:
    assert stream.is_below(QUIET * 3, BELOW)
    assert not stream.is_below(QUIET + data + (QUIET if data.strip() else b""), BELOW)
