"""Queue of messages of faults: limits for each fault and for the station, merged changes."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.notify import messages
from logger.notify.channel import Message
from logger.notify.fault_queue import (
    DAY_S,
    HOUR_S,
    MOST_AT_STATION,
    MOST_FIRST_HOUR,
    MOST_SAVED,
    UPDATE_S,
    UPDATES,
    FaultQueue,
    kind_of,
)
from logger.rows import Fault, FaultChangeKind, FaultEvent, FaultState, Severity
from logger.store.deliveries import Delivery
from logger.utc import format_ns
from tests.test_store import SECOND, T0

OPENED, WORSENED, EXPLAINED = "opened", "worsened", "explained"
NEWS = ("quiet", "repaired", "returned", "closed")


STEP = itertools.count()


def event(change: str, number: int = 1, summary: str = "", severity: str = "warning") -> FaultEvent:
    """Return a change at a time of its own."""
    fault = Fault(
        id=number,
        state=FaultState.OPEN,
        severity=Severity(severity),
        opened_utc=format_ns(T0 + number * SECOND),
        summary=summary,
    )
    return FaultEvent(FaultChangeKind(change), fault, format_ns(T0 + next(STEP) * 1000))


def compose(event: FaultEvent) -> Message:
    return messages.fault("here", event, T0)


class Outlet:
    """Delivers what is due, as a notifier does; `sent` has the seconds and entries of messages."""

    def __init__(self) -> None:
        self.queue = FaultQueue(compose)
        self.sent: list[tuple[float, list[str], Message]] = []
        self.latest: dict[str, str] = {}  # summary in the last message of a fault

    def add(self, event: FaultEvent, now_s: float) -> bool:
        """Add a change; return True if it is due at once."""
        return self.queue.left_s(self.queue.add(event, now_s), now_s) <= 0

    def attempt(self, now_s: float, *, fails: bool = False, held: Sequence[str] = ()) -> bool:
        entries = self.queue.due(now_s, held).entries
        if not entries:
            return False
        assert not {entry.kind for entry in entries} & set(held) or entries[0].attempts
        if not entries[0].attempts:
            self.latest |= {entry.kind: entry.message["summary"] for entry in entries}
            if len(entries) > 1:
                combined = messages.combine([entry.message for entry in entries])
                for entry in entries:
                    entry.message = combined
        assert len({entry.message["message_id"] for entry in entries}) == 1
        for entry in entries:
            entry.attempts += 1
        if not fails:
            kinds = [entry.kind for entry in entries]
            self.sent.append((now_s, kinds, entries[0].message))
            for entry in entries:
                self.queue.done(entry, now_s)
        return True

    def drain(self, now_s: float) -> None:
        while self.attempt(now_s):
            pass

    def settle(self, now_s: float) -> float:
        """Let time pass until nothing waits."""
        while True:
            self.drain(now_s)
            wait_s = self.queue.due(now_s, ()).wait_s
            if wait_s is None:
                return now_s
            now_s += wait_s + 1e-3

    def restart(self) -> None:
        """End, and begin with what the store has."""
        entries = [
            Delivery(entry.kind, dict(entry.message), entry.attempts)
            for entry in self.queue.entries
        ]
        self.queue = FaultQueue(compose)
        self.queue.restore(entries)
        for time_s, kinds, message in self.sent:
            for kind in kinds:
                self.queue.count(kind, message, time_s)

    def changes(self) -> list[tuple[float, str]]:
        return [(round(time_s), message["change"]) for time_s, _, message in self.sent]


def test_an_opening_is_reported_at_once_and_the_first_update_too() -> None:
    outlet = Outlet()
    assert outlet.add(event(OPENED), 0.0)
    outlet.drain(0.0)
    assert outlet.add(event(WORSENED), 2.0)
    outlet.drain(2.0)
    assert not outlet.add(event(EXPLAINED), 180.0)
    outlet.settle(180.0)
    assert outlet.changes() == [(0, OPENED), (2, WORSENED), (602, EXPLAINED)]


def test_changes_before_the_first_message_are_part_of_it() -> None:
    outlet = Outlet()
    outlet.add(event(OPENED, summary="sudden change"), 0.0)
    outlet.add(event(WORSENED, summary="SWR 8.5", severity="critical"), 1.0)
    outlet.add(event(EXPLAINED, summary="a loose plug"), 2.0)
    outlet.settle(3.0)
    ((_, _, message),) = outlet.sent
    assert (message["change"], message["summary"]) == (OPENED, "a loose plug")


def test_a_busy_fault_is_reported_three_times_in_an_hour_then_once_a_day() -> None:
    outlet = Outlet()
    outlet.add(event(OPENED), 0.0)
    for minute in range(3 * 24 * 60):
        change = ("quiet", "returned", EXPLAINED, WORSENED)[minute % 4]
        outlet.add(event(change, summary=str(minute)), 60.0 * minute)
        outlet.drain(60.0 * minute)
    times = [time_s for time_s, _, _ in outlet.sent]
    assert len([time_s for time_s in times if time_s < HOUR_S]) == 3
    assert [time_s // 60 for time_s in times[3:]] == [60, 1500, 2940]


def test_many_faults_at_once_share_a_message_led_by_the_gravest() -> None:
    outlet = Outlet()
    for number in range(10):
        severity = "critical" if number == 4 else "warning"
        outlet.add(event(OPENED, number, f"trouble {number}", severity), 0.0)
    outlet.drain(0.0)
    ((_, kinds, message),) = outlet.sent
    assert len(kinds) == 10
    assert message["id"] == 4
    assert message["text"].startswith("here: 10 faults: fault 4 (critical) opened 2026-03-01 19:00")
    assert len(message["others"]) == 9
    assert message["others"][-1].endswith("trouble 9")


def test_faults_in_a_row_are_limited_and_an_opening_passes_before_updates() -> None:
    outlet = Outlet()
    for number in range(8):
        outlet.add(event(OPENED, number), float(number))
        outlet.drain(float(number))
        outlet.add(event(EXPLAINED, number), number + 0.5)
        outlet.drain(number + 0.5)
    outlet.settle(10.0)
    assert outlet.changes() == [
        (0, OPENED),
        (0, EXPLAINED),
        (1, OPENED),
        (600, OPENED),  # all that opened meanwhile, with their causes
        (601, EXPLAINED),
    ]
    assert [len(kinds) for _, kinds, _ in outlet.sent] == [1, 1, 1, 6, 1]


def test_an_attempted_message_stays_as_it_is() -> None:
    """The receiver may have it already."""
    outlet = Outlet()
    outlet.add(event(OPENED), 0.0)
    outlet.attempt(0.0, fails=True)
    (entry,) = outlet.queue.entries
    before = dict(entry.message)
    outlet.add(event(WORSENED), 1.0)
    assert entry.message == before
    outlet.settle(2.0)
    assert outlet.changes() == [(2, OPENED), (2, WORSENED)]


def test_a_daily_message_is_not_limited() -> None:
    outlet = Outlet()
    for number in range(2):
        outlet.add(event(OPENED, number), 0.0)
    outlet.drain(0.0)
    outlet.add(event(OPENED, 3), 0.0)
    outlet.drain(0.0)
    outlet.add(event(OPENED, 4), 0.0)
    outlet.queue.put("daily", {"event": "daily", "message_id": "daily"})
    (entry,) = outlet.queue.due(0.0, ()).entries
    assert entry.kind == "daily"
    outlet.queue.done(entry, 0.0)
    assert outlet.queue.due(0.0, ()).wait_s == 600.0


STEPS = st.lists(
    st.tuples(
        st.integers(0, 4),
        st.sampled_from(
            [
                *("change", "change", "change", "deliver", "deliver", "deliver"),
                *("fail", "hold", "restart"),
            ]
        ),
        st.sampled_from([*FaultChangeKind]),
        st.sampled_from([0.0, 1.0, 30.0, 250.0, 600.0, 1800.0, 3599.0, 3601.0, 40_000.0, 86_400.0]),
    ),
    max_size=150,
)


@settings(max_examples=300)
@given(STEPS)
def test_whatever_happens_messages_are_few_and_the_latest_state_is_reported(
    steps: list[tuple[int, str, FaultChangeKind, float]],
) -> None:
    outlet, now_s = Outlet(), 0.0
    latest: dict[str, str] = {}
    held: set[str] = set()
    for step, (number, action, change, pause_s) in enumerate(steps):
        now_s += pause_s
        kind = kind_of(format_ns(T0 + number * SECOND))
        if action == "change":
            change = change if kind in latest else FaultChangeKind.OPENED
            latest[kind] = str(step)
            outlet.add(event(change, number, str(step)), now_s)
        elif action == "hold":
            held ^= {kind}
        elif action == "restart":
            outlet.restart()
        else:
            outlet.attempt(now_s, fails=action == "fail", held=tuple(held))
        assert len(outlet.queue.entries) <= 2 * len(latest)
    outlet.settle(now_s)
    assert not outlet.queue.entries
    assert outlet.latest == latest
    assert_limits(outlet.sent)


def assert_limits(sent: list[tuple[float, list[str], Message]]) -> None:
    """Every limit of the handbook, for each fault and for the station."""
    times = [time_s for time_s, _, _ in sent]
    for span_s, most in MOST_AT_STATION:
        assert all(b - a >= span_s for a, b in zip(times, times[most:], strict=False))
    for fault in {kind for _, kinds, _ in sent for kind in kinds}:
        own = [(time_s, message["change"]) for time_s, kinds, message in sent if fault in kinds]
        hour_s = own[0][0] + HOUR_S
        assert sum(time_s < hour_s for time_s, _ in own) <= MOST_FIRST_HOUR
        late = [time_s for time_s, _ in own if time_s >= hour_s]
        assert all(time_s >= hour_s + day * DAY_S for day, time_s in enumerate(late))
        for spared, (a, b) in enumerate_pairs(late):
            assert b - a >= spared * DAY_S
        updates = [
            time_s
            for time_s, kinds, message in sent
            if kinds == [fault] and message["change"] in UPDATES
        ]
        assert all(b - a >= UPDATE_S for a, b in itertools.pairwise(updates))


def enumerate_pairs(late: list[float]) -> Iterator[tuple[int, tuple[float, float]]]:
    """Yield pairs of times with the days that must pass between them: those not saved."""
    for (i, a), (j, b) in itertools.combinations(enumerate(late), 2):
        yield j - i - (MOST_SAVED - 1), (a, b)


@settings(max_examples=200)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([*FaultChangeKind]),
            st.sampled_from([1.0, 300.0, 900.0, 3601.0, 30_000.0, 86_400.0, 300_000.0]),
        ),
        max_size=80,
    ),
    st.sampled_from(NEWS),
    st.integers(1, 5),
)
def test_news_after_silent_days_is_reported_at_once(
    steps: list[tuple[FaultChangeKind, float]], news: str, days: int
) -> None:
    """And so is what follows it, one message for each silent day, up to those saved."""
    outlet, now_s = Outlet(), 0.0
    outlet.add(event(OPENED), now_s)
    for change, pause_s in steps:
        outlet.drain(now_s)
        now_s += pause_s
        outlet.add(event(change), now_s)
    now_s = outlet.settle(now_s) + HOUR_S + days * DAY_S
    for _ in range(min(days, MOST_SAVED)):
        assert outlet.add(event(news), now_s)
        outlet.drain(now_s)
        now_s += 600.0
    assert not outlet.queue.entries
    assert_limits(outlet.sent)


@given(
    st.lists(
        st.tuples(st.integers(0, 3), st.sampled_from([*FaultChangeKind]), st.floats(0, 5000)),
        max_size=60,
    )
)
def test_openings_never_wait_for_the_limits_of_their_own_fault(
    steps: list[tuple[int, FaultChangeKind, float]],
) -> None:
    """Only the station's limits delay them."""
    outlet, now_s = Outlet(), 0.0
    for number, change, pause_s in steps:
        now_s += pause_s
        outlet.add(event(change, number), now_s)
        outlet.drain(now_s)
    recent = [time_s for time_s, _, _ in outlet.sent if time_s > now_s - 600]
    at_once = outlet.add(event(OPENED, 9), now_s)
    hour = [time_s for time_s, _, _ in outlet.sent if time_s > now_s - HOUR_S]
    assert at_once == (len(recent) < 3 and len(hour) < 6)
