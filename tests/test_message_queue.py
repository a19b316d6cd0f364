"""Queue of messages: order, bounds, storms, shelves; schedule of the daily message."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from logger.notify import messages
from logger.notify.channel import Message
from logger.notify.message_queue import (
    DAY_NS,
    MINUTE_NS,
    QUIET_S,
    MessageQueue,
    is_daily_due,
    is_summary,
    latest_slot,
)
from logger.rows import Alarm, AlarmEvent, AlarmKind, ChangeKind, Severity
from logger.store.deliveries import Delivery
from logger.utc import format_ns
from tests.test_store import T0


def event(change: str, number: int, kind: str = "high-swr") -> AlarmEvent:
    alarm = Alarm(
        id=number,
        kind=AlarmKind(kind),
        severity=Severity.CRITICAL,
        raised_utc=format_ns(T0 + number * 1000),
        cleared_utc=format_ns(T0 + 9000) if change == "cleared" else None,
        value=None,
        limit=None,
        detail="",
        flags="",
    )
    return AlarmEvent(ChangeKind(change), alarm)


def compose(event: AlarmEvent, raises: int, clears: int, summary: bool) -> Message:
    return messages.alarm(
        "here",
        event,
        utc_ns=T0,
        raises=raises,
        clears=clears,
        summary=summary,
        open_alarms=(),
        advice=(),
    )


def add(waiting: MessageQueue, event: AlarmEvent, now_s: float, *, shelved: bool) -> bool:
    """Add a change; return True if it is due at once."""
    return not is_summary(waiting.add(event, now_s, shelved=shelved))


def deliver_due(
    waiting: MessageQueue, now_s: float, shelved: frozenset[str] = frozenset()
) -> list[Message]:
    """Deliver all that is due."""
    delivered = []
    while entries := waiting.due(now_s, shelved).entries:
        (entry,) = entries
        delivered.append(entry.message)
        waiting.done(entry, now_s)
    return delivered


def test_a_single_alarm_is_told_as_it_happens() -> None:
    waiting = MessageQueue(compose)
    assert add(waiting, event("raised", 1), 0.0, shelved=False)
    (raised,) = deliver_due(waiting, 0.0)
    assert add(waiting, event("cleared", 1), 3.0, shelved=False)
    (cleared,) = deliver_due(waiting, 3.0)
    assert [raised["change"], cleared["change"]] == ["raised", "cleared"]
    assert raised["message_id"] != cleared["message_id"]
    assert not raised["summary"]
    assert not cleared["summary"]


def test_a_storm_is_one_message_a_minute_with_the_count() -> None:
    waiting = MessageQueue(compose)
    delivered: list[tuple[float, Message]] = []
    for number in range(3000):
        now_s = number * 0.1
        waiting.add(event("raised", number), now_s, shelved=False)
        delivered += [(now_s, message) for message in deliver_due(waiting, now_s)]
        waiting.add(event("cleared", number), now_s + 0.05, shelved=False)
        delivered += [(now_s, message) for message in deliver_due(waiting, now_s + 0.05)]
        if number == 100:  # another kind is told all the same
            assert add(waiting, event("raised", number, "no-data"), now_s, shelved=False)
            assert [message["kind"] for message in deliver_due(waiting, now_s)] == ["no-data"]
    first, rest = delivered[:2], delivered[2:]
    assert [message["change"] for _, message in first] == ["raised", "cleared"]
    assert len(rest) == 4
    times = [first[-1][0], *(at for at, _ in rest)]
    assert all(b - a >= QUIET_S - 0.2 for a, b in itertools.pairwise(times))
    assert all(message["summary"] and message["raise_count"] > 590 for _, message in rest)
    left = sum(entry.message["raise_count"] for entry in waiting.entries)
    assert 1 + sum(message["raise_count"] for _, message in rest) + left == 3000
    assert "raised 60" in rest[0][1]["text"]


def test_a_shelved_kind_is_told_in_one_message_when_it_is_taken_off() -> None:
    waiting = MessageQueue(compose)
    shelf = frozenset({"high-swr"})
    for number in range(5):
        assert not add(waiting, event("raised", number), number * 100.0, shelved=True)
        assert deliver_due(waiting, number * 100.0, shelf) == []
    (message,) = deliver_due(waiting, 500.0)
    assert message["raise_count"] == 5


def test_what_has_been_tried_keeps_its_words() -> None:
    """The other end may have it already."""
    waiting = MessageQueue(compose)
    waiting.add(event("raised", 1), 0.0, shelved=True)
    (entry,) = waiting.entries
    entry.attempts = 1
    before = dict(entry.message)
    waiting.add(event("raised", 2), 1.0, shelved=False)
    assert entry.message == before
    assert [entry.message["id"] for entry in waiting.entries] == [1, 2]


def test_newer_daily_message_replaces_a_pending_one() -> None:
    waiting = MessageQueue(compose)
    waiting.restore([Delivery("daily", {"utc": "old"})])
    waiting.put("daily", {"utc": "new"})
    assert [entry.message["utc"] for entry in waiting.entries] == ["new"]


KINDS = ("high-swr", "no-data", "detector-fault")
STEPS = st.lists(
    st.tuples(
        st.sampled_from(KINDS),
        st.sampled_from(["change", "change", "deliver", "fail", "shelve"]),
        st.floats(0, 40),
    ),
    max_size=120,
)


@given(STEPS)
def test_whatever_happens_nothing_is_lost_doubled_or_unbounded(
    steps: list[tuple[str, str, float]],
) -> None:
    waiting, now_s, number = MessageQueue(compose), 0.0, 0
    open_: dict[str, int] = {}
    counts = {kind: [0, 0] for kind in KINDS}
    got = {kind: [0, 0] for kind in KINDS}
    alone: list[tuple[str, int, str]] = []
    summaries: dict[str, list[float]] = {kind: [] for kind in KINDS}
    shelf: set[str] = set()
    for kind, what, pause_s in steps:
        now_s += pause_s
        if what == "shelve":
            shelf ^= {kind}
        elif what == "change":
            change = "cleared" if kind in open_ else "raised"
            number += change == "raised"
            alarm = open_.pop(kind) if change == "cleared" else open_.setdefault(kind, number)
            counts[kind][change == "cleared"] += 1
            waiting.add(event(change, alarm, kind), now_s, shelved=kind in shelf)
        else:
            entry = next(iter(waiting.due(now_s, shelf).entries), None)
            if entry is None:
                continue
            assert entry.kind not in shelf
            if what == "fail":
                entry.attempts += 1
                continue
            message = entry.message
            waiting.done(entry, now_s)
            got[entry.kind][0] += message["raise_count"]
            got[entry.kind][1] += message["clear_count"]
            if message["summary"]:
                summaries[entry.kind].append(now_s)
            else:
                alone.append((entry.kind, message["id"], message["change"]))
        assert len(waiting.entries) <= 5 * len(KINDS)
    for entry in waiting.entries:
        got[entry.kind][0] += entry.message["raise_count"]
        got[entry.kind][1] += entry.message["clear_count"]
    assert got == counts
    assert len(set(alone)) == len(alone)
    for times in summaries.values():
        assert all(b - a >= QUIET_S for a, b in itertools.pairwise(times))


@given(st.integers(0, 1439), st.integers(0, 10**6), st.lists(st.integers(1, 200), max_size=60))
def test_daily_message_is_due_once_a_day(minute: int, start: int, steps: list[int]) -> None:
    now_ns = T0 + start * MINUTE_NS
    begun_ns = last_ns = now_ns
    beats = []
    for step in steps:
        now_ns += step * MINUTE_NS
        if is_daily_due(minute, last_ns, now_ns):
            beats.append(latest_slot(minute, now_ns))
            last_ns = now_ns
    first = latest_slot(minute, begun_ns)
    expected = range(first + DAY_NS, now_ns + 1, DAY_NS)
    assert beats == list(expected)


def test_a_clock_that_was_ahead_costs_a_day_at_most() -> None:
    year_ns = 365 * DAY_NS
    assert is_daily_due(480, T0 + year_ns, T0)
    assert not is_daily_due(480, T0 + MINUTE_NS, T0)
