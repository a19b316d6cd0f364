"""Dates: order, error bounds and recovery, whatever is done to the wall clock."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers.contract import SampleBlock
from drivers.timeline import Clocks
from logger.rows import Boot, Trust
from logger.service.dating import EARLIEST_NS, LONGEST_SLEW_NS, STEP_NS, Dating, Order
from tests.examples import examples

S = 1_000_000_000
MS = 1_000_000
HOUR_NS = 3600 * S
NOW_NS = 1_800_000_000 * S
START_NS = 100 * S  # of the host clock
EVERY_NS = 5 * MS


def block(times: Iterable[int]) -> SampleBlock:
    at = np.array(list(times), dtype=np.int64)
    return SampleBlock(at, np.ones(len(at)), np.zeros(len(at)))


@dataclass
class Host:
    """A host whose wall clock is set as a test likes, and what the daemon would have stored."""

    offset_ns: int = NOW_NS - START_NS
    synchronised: bool | None = None
    last_ns: int | None = None
    known: Boot | None = None
    at_ns: int = START_NS
    dated: list[int] = field(default_factory=list)
    flagged: list[bool] = field(default_factory=list)
    leaps: int = 0

    def __post_init__(self) -> None:
        self.dating = self.start()

    def start(self) -> Dating:
        """The daemon starts (again)."""
        last_ns = self.dated[-1] if self.dated else self.last_ns
        self.dating = Dating(self.clocks(), last_ns, "this", self.known)
        self.known = self.dating.boot
        return self.dating

    def clocks(self) -> Clocks:
        return Clocks(self.at_ns, self.at_ns + self.offset_ns, 1000, self.synchronised)

    def run(self, seconds: float, *, keyed: bool = False, every_ns: int = EVERY_NS) -> None:
        """Pairs come for so long, in blocks of 8."""
        count = max(1, round(seconds * S / every_ns))
        for first in range(0, count, 8):
            pairs = min(8, count - first)
            times = [self.at_ns + k * every_ns for k in range(1, pairs + 1)]
            self.at_ns = times[-1]
            change = self.dating.check(self.clocks())
            if change is not None:
                self.known = change.boot
                self.leaps += change.leap
                if change.shift is not None:
                    since, until, by = change.shift
                    inside = [since <= time <= until for time in self.dated]
                    moved = zip(self.dated, inside, strict=True)
                    self.dated = [time + by * which for time, which in moved]
                    marked = zip(self.flagged, inside, strict=True)
                    self.flagged = [flag or which for flag, which in marked]
            out = self.dating.date(block(times), keyed=keyed)
            self.dated += out.time_ns.tolist()
            self.flagged += [out.clock_step] * pairs

    def error_ns(self) -> int:
        """The last date less what the wall clock said then."""
        return self.dated[-1] - (self.at_ns + self.offset_ns)

    def check(self) -> None:
        """What holds always."""
        times = np.array(self.dated)
        assert (np.diff(times) > 0).all()
        assert (times % 1000 == 0).all()
        assert self.last_ns is None or times[0] > self.last_ns


STEPS = st.one_of(
    st.integers(-2 * S, 2 * S),
    st.integers(-3 * HOUR_NS, 3 * HOUR_NS),
    st.sampled_from([-HOUR_NS, HOUR_NS, -30 * S, S, -S, STEP_NS, -STEP_NS, 9 * LONGEST_SLEW_NS]),
)
ACTIONS = st.one_of(
    st.tuples(st.just("step"), STEPS),
    st.tuples(st.just("keyed"), st.floats(0.02, 20)),
    st.tuples(st.just("quiet"), st.floats(0.02, 20)),
    st.tuples(st.just("silence"), st.floats(0.1, 4000)),  # or suspend
    st.tuples(st.just("synchronised"), st.booleans() | st.none()),
    st.tuples(st.just("restart"), st.none()),
)
OFFSETS = st.sampled_from([0, NOW_NS - START_NS, EARLIEST_NS - START_NS])
LASTS = st.none() | st.sampled_from([NOW_NS - S, NOW_NS, NOW_NS + 30 * S, 50 * S])


@examples(20)
@given(OFFSETS, LASTS, st.booleans() | st.none(), st.lists(ACTIONS, max_size=12))
@example(  # pairs from before a step that are dated after it
    NOW_NS - START_NS,
    None,
    None,
    [("step", STEP_NS + 1), ("keyed", 1.0), ("step", -STEP_NS - 1), ("synchronised", True)],
)
def test_rows_keep_their_order_and_never_repeat(offset_ns, last_ns, synchronised, actions) -> None:
    host = Host(offset_ns, synchronised, last_ns)
    for what, much in [*actions, ("quiet", 0.1)]:
        if what == "step":
            host.offset_ns += much
        elif what == "silence":
            host.at_ns += round(much * S)
        elif what == "synchronised":
            host.synchronised = much
        elif what == "restart":
            host.start()
        else:
            host.run(much, keyed=what == "keyed", every_ns=50 * MS)
    host.check()
    if host.dating.ahead_ns > STEP_NS or host.dating.provisional:
        assert host.flagged[-1]
    elif host.dating.boot.trust is Trust.FOLLOWED:
        assert abs(host.error_ns()) <= STEP_NS + 3 * MS


@examples(10)
@given(st.integers(STEP_NS + MS, LONGEST_SLEW_NS - S), st.booleans())
def test_a_step_back_is_made_up_for_in_twice_its_time_of_quiet(by_ns: int, keyed_first) -> None:
    host = Host(synchronised=True)
    host.run(1)
    host.offset_ns -= by_ns
    before = len(host.dated)
    if keyed_first:
        host.run(10, keyed=True)
        lasted_ns = host.dated[-1] - host.dated[before]
        assert lasted_ns == pytest.approx(10 * S - EVERY_NS, rel=0.0006)  # durations stay right
    host.run(0.001)
    assert host.flagged[before]
    host.run(2 * by_ns / S, every_ns=max(EVERY_NS, by_ns // 5000))
    host.run(3)
    assert abs(host.error_ns()) < 1000
    assert not host.flagged[-1]
    assert host.leaps == 0
    host.check()


@given(st.integers(STEP_NS + MS, 100 * 365 * 86400 * S))
def test_a_step_forward_is_followed_at_once_and_flagged(by_ns: int) -> None:
    host = Host(synchronised=True)
    host.run(1, keyed=True)
    assert not any(host.flagged)
    host.offset_ns += by_ns
    before = len(host.dated)
    host.run(3, keyed=True)
    assert abs(host.error_ns()) < 1000
    assert host.leaps == 1
    assert all(host.flagged[before:])  # to the end of the transmission
    host.run(1)
    assert not host.flagged[-1]
    host.check()


@pytest.mark.parametrize("last_ns", [None, NOW_NS])
@pytest.mark.parametrize("kernel_says", [True, False, None])
@pytest.mark.parametrize("restarts", [False, True])
def test_a_first_start_in_1970(last_ns, kernel_says, restarts) -> None:
    host = Host(offset_ns=0, synchronised=False if kernel_says is not None else None)
    host.last_ns = last_ns
    host.known = None
    host.start()
    begun_ns = host.at_ns
    host.run(2)
    if restarts:
        host.at_ns += 5 * S
        host.start()
        host.run(2)
    assert host.dating.provisional
    assert all(host.flagged)
    host.check()
    true_offset_ns = NOW_NS + HOUR_NS
    host.offset_ns, host.synchronised = true_offset_ns, kernel_says
    host.run(1)
    assert not host.dating.provisional
    host.check()
    assert host.dated[0] == begun_ns + EVERY_NS + true_offset_ns
    assert abs(host.error_ns()) < 1000
    host.run(4)
    assert not host.flagged[-1]
    assert all(host.flagged[:10])


def test_a_plausible_clock_that_is_first_synchronised_later() -> None:
    for by_ns in (8 * HOUR_NS, -8 * HOUR_NS):
        for last_ns in (None, NOW_NS - 9 * HOUR_NS, NOW_NS - HOUR_NS):
            host = Host(synchronised=False, last_ns=last_ns)
            host.run(2)
            assert not any(host.flagged)
            host.offset_ns += by_ns
            host.run(0.1)  # the step is seen a moment before the kernel calls it synchronised
            host.synchronised = True
            host.run(2)
            host.check()
            if by_ns > 0 or last_ns != NOW_NS - HOUR_NS:
                assert abs(host.dated[0] - (NOW_NS + by_ns)) < 10 * MS
                assert abs(host.error_ns()) < 1000
            else:  # an older row stands in the way
                assert abs(host.dated[0] - NOW_NS) < 10 * MS
                assert host.error_ns() > 7 * HOUR_NS
                assert host.flagged[-1]


def test_restarted_after_a_step_back_goes_on_after_the_last_row() -> None:
    for synchronised in (True, False, None):
        host = Host(synchronised=synchronised)
        host.run(2)
        host.offset_ns -= HOUR_NS
        host.start()
        assert "is 3600.0 s later than the clock" in host.dating.notices()[0]
        host.run(2)
        assert not host.dating.provisional
        assert host.flagged[-1]
        host.check()


def test_what_is_said() -> None:
    host = Host(offset_ns=0)
    assert "not set, it reads 1970-01-01T00:01:40" in host.dating.notices()[0]
    host.offset_ns = NOW_NS
    host.run(1)
    (moved,) = host.dating.notices()
    assert "corrected by +1800000000.0 s" in moved
    host.offset_ns -= 30 * S
    host.run(1)
    host.run(60)
    back, caught_up = host.dating.notices()
    assert "set back by 30.0 s" in back
    assert "caught up" in caught_up
    host.offset_ns -= 2 * LONGEST_SLEW_NS
    host.run(1)
    assert "implausible" in host.dating.notices()[0]
    ahead_ns = host.dating.ahead_ns
    host.run(100)
    assert host.dating.ahead_ns == ahead_ns
    assert host.dating.notices() == []


# drivers that give UTC themselves

ANY = st.lists(st.integers(-(10**15), 10**15), min_size=1, max_size=20)
NEAR = st.lists(st.integers(-3000, 10**7), min_size=1, max_size=20)


@settings(deadline=None)
@given(st.lists(st.tuples(ANY | NEAR, st.booleans()), min_size=1, max_size=8))
def test_any_times_of_a_driver_become_an_order(parts) -> None:
    order, at, out = Order(), NOW_NS, []
    for steps, keyed in parts:
        times = np.cumsum([at, *steps])[1:] // 1000 * 1000
        at = int(times[-1])
        out += order.date(block(times), keyed=keyed).time_ns.tolist()
    assert (np.diff(out) > 0).all()


def test_good_times_of_a_driver_are_left_alone() -> None:
    order = Order()
    first, second = block([NOW_NS, NOW_NS + MS]), block([NOW_NS + HOUR_NS])
    assert order.date(first, keyed=False) is first
    assert order.date(second, keyed=True) is second
    assert order.mended == 0


def test_a_driver_whose_times_step_back_in_mid_block() -> None:
    order = Order()
    truth = [NOW_NS + k * EVERY_NS for k in range(4000)]
    given_ns = [time - HOUR_NS * (k >= 1003) for k, time in enumerate(truth)]
    out: list[int] = []
    flagged = 0
    for first in range(0, 4000, 8):
        dated = order.date(block(given_ns[first : first + 8]), keyed=True)
        out += dated.time_ns.tolist()
        flagged += 8 * dated.clock_step
    error_ns = np.array(out) - np.array(truth)
    assert np.abs(error_ns).max() <= 0.0006 * 15 * S  # 15 s of slewing
    assert order.mended == 4000 - 1003
    assert flagged == 3000
    later = order.date(block([given_ns[-1] + 3 * HOUR_NS]), keyed=False)  # a silence
    assert later.time_ns.tolist() == [given_ns[-1] + 3 * HOUR_NS]
    assert not order.date(block([given_ns[-1] + 4 * HOUR_NS]), keyed=False).clock_step
