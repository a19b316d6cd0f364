"""Rows that wait: in order, joined, within bounds; from thread to thread."""

from __future__ import annotations

import threading
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.contract import SampleBlock
from logger.rows import (
    AlarmChange,
    Boot,
    ClockChange,
    Row,
    Samples,
    SecondRows,
    Transmission,
    Trust,
)
from logger.service import backlog
from logger.service.backlog import Backlog
from logger.service.handover import Handover
from logger.service.keeper import NOT_FOLLOWED, NOT_URGENT
from tests.test_store import SECOND, T0, alarm, second, transmission


def samples(first: int, count: int, *, begins: bool = False) -> Samples:
    numbers = np.arange(first, first + count)
    return Samples(SampleBlock(T0 + 1000 * numbers, numbers * 0.5, numbers * 0.25), begins)


def times(rows: Sequence[Row]) -> np.ndarray:
    found = [row.block.time_ns for row in rows if isinstance(row, Samples)]
    return np.concatenate([np.empty(0, np.int64), *found])


def assert_seconds_have_their_transmission(rows: Sequence[Row]) -> None:
    known = set()
    for row in rows:
        if isinstance(row, Transmission):
            known.add(row.start_ns)
        assert not isinstance(row, SecondRows) or row.start_ns in known


# What a pipeline gives: pairs, and now and then what became of them.
HAPPENS = ("", "", "so far", "so far", "ended", "alarm", "alarm stored", "clock")
BATCHES = st.lists(st.tuples(st.integers(1, 9), st.sampled_from(HAPPENS)))
CLOCK = ClockChange(Boot("boot", Trust.FOLLOWED, 0, 0, 0))


def sections(rows: Sequence[Row]) -> list[list[Row]]:
    """Cut where the clock has changed."""
    found: list[list[Row]] = [[]]
    for row in rows:
        if isinstance(row, ClockChange):
            found.append([])
        else:
            found[-1].append(row)
    return found


@given(BATCHES, st.sampled_from([2, 5]), st.sampled_from([8, 1 << 16]))
def test_nothing_is_lost_or_out_of_order(
    batches: list[tuple[int, str]], loose: int, joined: int
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(backlog, "LOOSE", loose)
        patch.setattr(backlog, "JOINED_PAIRS", joined)
        waiting = Backlog()
        given_rows: list[Row] = []
        taken: list[Row] = []
        at = start = 0
        for count, what in batches:
            rows: list[Row] = [samples(at, count, begins=at == 0)]
            at += count
            start_ns = T0 + start * SECOND
            if what.startswith("alarm"):
                rows.append(alarm("raised", T0 + at * SECOND, start_ns=None))
            elif what == "clock":
                rows.append(CLOCK)
                start = at
            elif what:
                rows.append(transmission(start_ns, ended=what == "ended", samples=at))
                rows.append(second(T0 + at * SECOND, start_ns))
                start = at if what == "ended" else start
            waiting.add(rows)
            given_rows += rows
            if what == "alarm stored":
                held = NOT_URGENT if at % 2 else NOT_FOLLOWED
                urgent = waiting.rows_but(held)
                assert waiting.take_but(held) == urgent
                taken += urgent
        assert waiting.pairs + len(times(taken)) == at
        taken += waiting.take()
        assert len(waiting) == waiting.pairs == waiting.dropped == 0
    begins = [row.begins for row in taken if isinstance(row, Samples)]
    assert begins == [place == 0 for place in range(len(begins))]
    assert len(sections(taken)) == len(sections(given_rows))
    for some, whole in zip(sections(taken), sections(given_rows), strict=True):
        assert np.array_equal(times(some), times(whole))
        for kind in (SecondRows, AlarmChange):
            assert [r for r in some if isinstance(r, kind)] == [
                r for r in whole if isinstance(r, kind)
            ]
        assert_seconds_have_their_transmission(some)
        latest = {r.start_ns: r for r in whole if isinstance(r, Transmission)}
        assert {r.start_ns: r for r in some if isinstance(r, Transmission)} == latest


def test_the_oldest_give_way(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(backlog, "MOST_PAIRS", 1000)
    monkeypatch.setattr(backlog, "MOST_ROWS", 100)
    waiting = Backlog()
    for number in range(400):
        start_ns = T0 + number // 10 * 10 * SECOND
        waiting.add(
            [
                samples(number * 10, 10),
                transmission(start_ns, ended=number % 10 == 9, samples=number),
                second(T0 + number * SECOND, start_ns),
            ]
        )
        assert waiting.pairs <= 1000
        assert len(waiting) <= 1000 / 10 + 256 + 2 * 100
    rows = waiting.rows()
    assert times(rows)[-1] == T0 + 3999 * 1000
    assert (np.diff(times(rows)) == 1000).all()
    assert_seconds_have_their_transmission(rows)
    ended = [row for row in rows if isinstance(row, Transmission) and row.ended]
    assert len(ended) == 40  # seconds go first
    assert waiting.counts()[1] == waiting.pairs == len(times(rows))
    seconds = [row for row in rows if isinstance(row, SecondRows)]
    assert seconds[-1].time_ns[-1] == T0 + 399 * SECOND
    assert waiting.dropped == 4000 - waiting.pairs + 400 - len(seconds)
    for number in range(300):
        waiting.add([alarm("raised", T0 + number * SECOND, start_ns=None)])
    rows = waiting.rows()
    assert_seconds_have_their_transmission(rows)
    assert isinstance(rows[-1], AlarmChange)
    assert rows[-1].time_ns == T0 + 299 * SECOND
    assert sum(not isinstance(row, Samples | SecondRows) for row in rows) <= 100


def test_the_oldest_give_way_though_the_clock_has_changed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(backlog, "MOST_PAIRS", 1000)
    waiting = Backlog()
    for number in range(400):
        waiting.add([samples(number * 10, 10), *([CLOCK] if number % 70 == 0 else [])])
        assert waiting.pairs <= 1000
    rows = waiting.rows()
    assert len(times(rows)) == waiting.pairs == waiting.counts()[1]
    assert (np.diff(times(rows)) == 1000).all()
    assert times(rows)[-1] == T0 + 3999 * 1000
    assert waiting.dropped == 4000 - waiting.pairs
    assert len(sections(rows)) == 7  # what was thought of the clock is not dropped
    assert waiting.take() == rows
    assert waiting.pairs == len(waiting) == 0


def test_an_alarm_that_was_open_before_is_not_raised_again() -> None:
    waiting = Backlog()
    rows: list[Row] = [
        alarm("raised", T0, "no-data"),
        alarm("raised", T0 + 1),
        CLOCK,
        alarm("cleared", T0 + 2),
        alarm("raised", T0 + 3),
        alarm("cleared", T0 + 4, "detector-fault"),
    ]
    waiting.add(rows)
    waiting.raised_before(["high-swr", "detector-fault"])
    assert waiting.rows() == [rows[0], *rows[2:]]


def test_who_takes_late_gets_everything_in_order() -> None:
    # More batches than a keeper can be behind; a second must come after its transmission.
    handed = Handover()
    for number in range(20_000):
        start_ns = T0 + number * SECOND
        handed.give(
            [samples(number, 1), transmission(start_ns, ended=True), second(start_ns, start_ns)]
        )
    assert not handed.room(0.01)
    rows, ended = handed.take(1.0)
    assert not ended
    assert len(times(rows)) == 20_000
    assert (np.diff(times(rows)) > 0).all()
    assert_seconds_have_their_transmission(rows)
    assert sum(isinstance(row, SecondRows) for row in rows) == 20_000
    assert handed.dropped == 0
    assert handed.room(0.0)
    assert handed.take(0.01) == ([], False)


@pytest.mark.realtime
def test_threads() -> None:
    handed = Handover()
    count = 5000

    def give() -> None:
        for number in range(count):
            handed.give([samples(number, 1)])
        handed.end()

    giver = threading.Thread(target=give)
    giver.start()
    taken: list[Row] = []
    ended = False
    while not ended:
        rows, ended = handed.take(5.0)
        taken += rows
    giver.join()
    assert np.array_equal(times(taken), T0 + 1000 * np.arange(count))
