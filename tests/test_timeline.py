"""Clocks: steps, batching on the way, rate errors, wraps, reboots and strict order."""

from __future__ import annotations

import itertools
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from drivers.timeline import (
    BridgeClock,
    Monotone,
    arrival_times,
    boot_name,
    host_ns,
    read_clocks,
)
from tests.examples import examples

Times = NDArray[np.int64]
EPOCH_NS = 1_800_000_000_000_000_000
LEAST_DELAY_NS = 1_000_000
MS = 1_000_000
S = 1_000_000_000


def test_the_host_clock_is_even_and_the_wall_clock_is_read_beside_it() -> None:
    clocks = [read_clocks() for _ in range(200)]
    offsets = np.array([clock.offset_ns for clock in clocks])
    doubts = np.array([clock.doubt_ns for clock in clocks])
    assert np.median(doubts) < MS
    assert (np.abs(offsets - np.median(offsets)) <= MS + doubts).all()
    assert host_ns() > clocks[-1].host_ns
    assert abs(clocks[-1].wall_ns - time.time_ns()) < S
    assert boot_name() == boot_name()


def test_arrival_times() -> None:
    stamps = np.array([EPOCH_NS, EPOCH_NS, EPOCH_NS + 5], dtype=np.int64)
    after = np.array([115200, 1152, 0], dtype=np.int64)
    expected = [EPOCH_NS - 10 * S, EPOCH_NS - 100 * MS, EPOCH_NS + 5]
    assert arrival_times(stamps, after, 115200).tolist() == expected


def bridge(
    *,
    rate: float = 0.0,
    drift_per_s: float = 0.0,
    every_us: int = 2000,
    seconds: float = 60,
    start_us: int = 0,
    latency_s: float = 0.016,
) -> tuple[Times, Times, Times]:
    """A bridge behind an adapter that collects: its times, their arrivals, and the truth."""
    random = np.random.default_rng(1)
    true_s = np.arange(0.0, seconds, every_us / 1e6) + 1e-4
    bridge_us = start_us + 1e6 * (true_s * (1 + rate) + drift_per_s / 2 * true_s**2)
    arrival_s = np.ceil(true_s / latency_s) * latency_s if latency_s else true_s
    arrival_s = arrival_s + random.exponential(50e-6, len(true_s)) * (latency_s > 0)
    arrival_s = np.maximum.accumulate(arrival_s)
    least_s = (arrival_s - true_s).min()
    raw = np.floor(bridge_us).astype(np.int64) % 2**32
    return raw, in_ns(arrival_s), in_ns(true_s + least_s)


def in_ns(seconds: NDArray[np.float64]) -> Times:
    return EPOCH_NS + LEAST_DELAY_NS + np.rint(1e9 * seconds).astype(np.int64)


def in_chunks(clock: BridgeClock, time_us: Times, arrival_ns: Times, chunk_ns: int) -> Times:
    """What the clock says when it is asked as the daemon asks, a chunk at a time."""
    chunk = (arrival_ns - arrival_ns[0]) // chunk_ns
    edges = [*np.flatnonzero(np.diff(chunk, prepend=-1)), len(chunk)]
    parts = [
        clock.map(time_us[start:end], arrival_ns[start:end])
        for start, end in itertools.pairwise(edges)
    ]
    return np.concatenate(parts)


@pytest.mark.parametrize("rate", [-0.01, -0.0003, 0.0, 0.0003, 0.01])
@pytest.mark.parametrize("drift_per_s", [-1e-6, 0.0, 1e-6])
@pytest.mark.parametrize("every_us", [500, 10_000])
def test_batching_does_not_reach_the_times(rate: float, drift_per_s: float, every_us: int) -> None:
    time_us, arrival_ns, true_ns = bridge(rate=rate, drift_per_s=drift_per_s, every_us=every_us)
    assert (arrival_ns - true_ns).max() > 10 * MS
    clock = BridgeClock()
    error_ns = np.abs(in_chunks(clock, time_us, arrival_ns, 50 * MS) - true_ns)
    settled = arrival_ns - arrival_ns[0] > 5 * S
    assert error_ns[settled].max() < 1 * MS
    assert error_ns.max() < 17 * MS  # while the rate is unknown
    assert clock.restarts == 0


@pytest.mark.parametrize("chunk_ns", [1 * MS, 1 * S, 60 * S])
def test_however_it_is_asked(chunk_ns: int) -> None:
    time_us, arrival_ns, true_ns = bridge(rate=0.01)
    mapped = in_chunks(BridgeClock(), time_us, arrival_ns, chunk_ns)
    assert np.abs(mapped - true_ns)[arrival_ns - arrival_ns[0] > 5 * S].max() < 1 * MS


def test_wrap() -> None:
    time_us, arrival_ns, true_ns = bridge(rate=-0.005, start_us=2**32 - 20_000_000)
    assert np.any(np.diff(time_us) < 0)
    clock = BridgeClock()
    mapped = in_chunks(clock, time_us, arrival_ns, 50 * MS)
    assert np.abs(mapped - true_ns)[arrival_ns - arrival_ns[0] > 5 * S].max() < 1 * MS
    assert clock.restarts == 0


def test_silence_longer_than_a_wrap() -> None:
    time_us, arrival_ns, true_ns = bridge(latency_s=0, seconds=5000, every_us=100_000)
    heard = np.ones(len(time_us), dtype=bool)
    heard[100:-100] = False
    clock = BridgeClock()
    mapped = in_chunks(clock, time_us[heard], arrival_ns[heard], S)
    assert np.abs(mapped - true_ns[heard]).max() < 1 * MS
    assert clock.restarts == 0


@pytest.mark.parametrize("chunk_ns", [50 * MS, 100 * S])
@pytest.mark.parametrize("up_s", [0.5, 30.0])
def test_reboot(up_s: float, chunk_ns: int) -> None:
    before = bridge(rate=0.01, seconds=up_s)
    after = bridge(rate=0.01, seconds=20)
    pause_ns = before[1][-1] - EPOCH_NS + 2 * S
    time_us = np.concatenate([before[0], after[0]])
    arrival_ns = np.concatenate([before[1], after[1] + pause_ns])
    true_ns = np.concatenate([before[2], after[2] + pause_ns])
    clock = BridgeClock()
    mapped = in_chunks(clock, time_us, arrival_ns, chunk_ns)
    assert clock.restarts == 1
    error_ns = np.abs(mapped - true_ns)
    assert error_ns.max() < 20 * MS
    assert error_ns[arrival_ns > arrival_ns[len(before[0])] + 5 * S].max() < 1 * MS


def test_bridge_that_lost_time() -> None:
    time_us, arrival_ns, _ = bridge(seconds=20)
    arrival_ns[len(arrival_ns) // 2 :] += 3 * S
    clock = BridgeClock()
    mapped = in_chunks(clock, time_us, arrival_ns, 50 * MS)
    assert clock.restarts == 1
    assert (arrival_ns - mapped).max() < 20 * MS


def test_small_step_of_the_host_is_followed() -> None:
    time_us, arrival_ns, true_ns = bridge(seconds=30)
    half = len(arrival_ns) // 2
    arrival_ns[half:] += 500 * MS
    mapped = in_chunks(BridgeClock(), time_us, arrival_ns, 50 * MS)
    assert np.abs(mapped - true_ns - 500 * MS)[half + 2500 :].max() < 2 * MS


def test_host_that_stood_still_is_no_reboot() -> None:
    time_us, arrival_ns, true_ns = bridge(seconds=30)
    stood = (arrival_ns > EPOCH_NS + 15 * S) & (arrival_ns < EPOCH_NS + 18 * S)
    arrival_ns[stood] = EPOCH_NS + 18 * S
    clock = BridgeClock()
    mapped = in_chunks(clock, time_us, arrival_ns, 50 * MS)
    assert clock.restarts == 0
    assert np.abs(mapped - true_ns)[stood].max() < 1 * MS


def test_opened_again() -> None:
    clock = BridgeClock()
    clock.map(np.array([5_000_000]), np.array([EPOCH_NS]))
    clock.restart()
    mapped = clock.map(np.array([7_000_000]), np.array([EPOCH_NS + 100 * S]))
    assert mapped.tolist() == [EPOCH_NS + 100 * S]
    assert clock.restarts == 0
    assert len(clock.map(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64))) == 0


LEAPS_US = st.integers(-(2**31), 2**31) | st.integers(-1_500_000, 1_500_000)


@examples(10)
@given(
    st.lists(st.tuples(LEAPS_US, st.floats(0, 3)), min_size=1, max_size=4),
    st.sampled_from([-0.01, 0.0, 0.003]),
    st.sampled_from([100 * MS, 30 * S]),
)
def test_leaps_of_the_bridge_clock(
    leaps: list[tuple[int, float]], rate: float, chunk_ns: int
) -> None:
    """Whatever its clock does, times increase and are soon right again but for leaps that are
    small; those that are not are noticed."""
    time_us, arrival_ns, true_ns = bridge(rate=rate, every_us=10_000, seconds=10)
    parts_us, parts_arrival, parts_true = [time_us], [arrival_ns], [true_ns]
    shift_us, shift_ns = 0, 0
    for leap_us, pause_s in leaps:
        shift_us += leap_us + round(1e6 * (1 + rate) * (pause_s + 10))
        shift_ns += round((pause_s + 10) * S)
        parts_us.append((time_us + shift_us) % 2**32)
        parts_arrival.append(arrival_ns + shift_ns)
        parts_true.append(true_ns + shift_ns)
    clock, monotone = BridgeClock(), Monotone()
    arrivals = np.concatenate(parts_arrival)
    mapped = in_chunks(clock, np.concatenate(parts_us), arrivals, chunk_ns)
    times = monotone.update(mapped)
    assert (np.diff(times) > 0).all()
    error_ns = np.split(times - np.concatenate(parts_true), len(parts_us))
    small_ns = 1000 * sum(abs(leap) for leap, _ in leaps if abs(leap) < 200_000)
    for error in error_ns:
        assert np.abs(error[-300:]).max() < 4 * MS + min(2 * small_ns, 300 * MS)  # 7 s later
        assert error.max() < 20 * MS  # never later than it arrived
    noticed = clock.restarts + clock.leaps
    assert noticed >= sum(abs(leap) > 150_000 for leap, _ in leaps[-1:])


ANY_TIMES = arrays(np.int64, st.integers(0, 30), elements=st.integers(-(2**61), 2**61))
NEAR_TIMES = arrays(np.int64, st.integers(0, 30), elements=st.integers(0, 5000))


@given(st.lists(ANY_TIMES | NEAR_TIMES))
def test_monotone(parts: list[Times]) -> None:
    monotone = Monotone()
    split = [monotone.update(part) for part in parts]
    out = np.concatenate([*split, np.empty(0, dtype=np.int64)])
    assert np.all(np.diff(out) > 0)
    assert np.all(out % 1000 == 0)
    whole = np.concatenate([*parts, np.empty(0, dtype=np.int64)])
    assert Monotone().update(whole).tolist() == out.tolist()
    assert np.all(out >= whole // 1000 * 1000)


def test_monotone_leaves_good_times_alone() -> None:
    times_ns = np.array([1_999, 3_000, 3_500, 2_000, 9_000], dtype=np.int64)
    assert Monotone().update(times_ns).tolist() == [1000, 3000, 4000, 5000, 9000]


@given(
    arrays(np.int64, 20, elements=st.integers(0, 2**32 - 1)),
    arrays(np.int64, 20, elements=st.integers(0, 100 * S) | st.integers(0, 10**15)),
)
def test_any_bridge_time(time_us: Times, gaps_ns: Times) -> None:
    arrival_ns = EPOCH_NS + np.cumsum(gaps_ns)
    clock = BridgeClock()
    mapped = np.concatenate(
        [clock.map(time_us[:7], arrival_ns[:7]), clock.map(time_us[7:], arrival_ns[7:])]
    )
    assert mapped.shape == time_us.shape
    assert np.all(np.diff(Monotone().update(mapped)) > 0)
    assert np.all(mapped <= arrival_ns + BridgeClock.RESTART_NS + gaps_ns.max() + 2**32 * 1000)
