"""Notifiers of faults: from the store and from memory, across kills, within their limits."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator
from contextlib import closing
from pathlib import Path
from random import Random
from typing import Any

import msgspec
import pytest

from logger.config.notifiers import CommandOptions
from logger.live.status import Status
from logger.notify.channel import Message, NotDelivered
from logger.notify.notifier import Notifier
from logger.rows import (
    AlarmChange,
    ChangeKind,
    Fault,
    FaultChange,
    FaultChangeKind,
    FaultFamily,
    FaultState,
    Row,
    Severity,
)
from logger.store.alarms import Alarms
from logger.store.faults import Faults
from logger.store.tables import FAULTS, Record
from logger.store.writer import StoreWriter
from tests.old_stores import old_store
from tests.test_notifiers import Clock, drain
from tests.test_status import STATUS
from tests.test_store import ALWAYS, SECOND, T0, alarm, transmission

STATES = {
    "quiet": FaultState.QUIET,
    "repaired": FaultState.VERIFYING,
    "closed": FaultState.CLOSED,
}
MINUTE = 60 * SECOND


class Recorder:
    """A channel of a command that keeps the messages in memory."""

    changes = frozenset(ChangeKind)

    def __init__(self) -> None:
        self.messages: list[Message] = []
        self.attempts: list[Message] = []
        self.is_away = False

    def deliver(self, message: Message) -> None:
        self.attempts.append(msgspec.json.decode(msgspec.json.encode(message)))
        if self.is_away:
            raise NotDelivered("away")
        self.messages.append(self.attempts[-1])

    def close(self) -> None: ...

    def changes_of(self) -> list[tuple[int | None, str]]:
        return [(message["id"], message["change"]) for message in self.messages]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    with closing(StoreWriter.open(tmp_path / "station.sqlite")) as opened:
        opened.write([transmission()])
        yield opened


def status() -> Status:
    return msgspec.structs.replace(STATUS, running_s=12.0, last_pair_ns=T0)


def advise(fault: Fault | None, kinds: Collection[str]) -> list[str]:
    cause = None if fault is None else fault.probable_cause
    return [f"look at {cause or ' '.join(sorted(kinds))}"]


def make_notifier(store: Path, clock: Clock, channel: Recorder, **more: Any) -> Notifier:
    options = CommandOptions(command=["true"], **more)
    notifier = Notifier(
        options,
        store,
        "here",
        read_status=status,
        advise=advise,
        random=Random(1),
        clock=lambda: clock.now_s,
        utc_ns=clock.utc_ns,
    )
    notifier.use(channel)
    return notifier


def fault(change: str, time_ns: int, opened_ns: int = T0, severity: str = "warning") -> FaultChange:
    return FaultChange(
        opened_ns=opened_ns,
        family=FaultFamily.FEEDLINE,
        change=FaultChangeKind(change),
        time_ns=time_ns,
        state=STATES.get(change, FaultState.OPEN),
        severity=Severity(severity),
        summary=f"the plug is {change}",
        first_ns=opened_ns,
    )


def sign(time_ns: int, kind: str = "high-swr", opened_ns: int = T0) -> AlarmChange:
    return msgspec.structs.replace(alarm("raised", time_ns, kind), fault_ns=opened_ns)


def opening(time_ns: int = T0, kind: str = "high-swr", severity: str = "warning") -> list[Row]:
    return [fault("opened", time_ns, time_ns, severity), sign(time_ns, kind, time_ns)]


def exported(store: StoreWriter) -> list[dict[str, Any]]:
    return [record.columns for record in store.records(FAULTS, *ALWAYS)]


def test_a_fault_is_reported_with_its_columns_and_advice(store: StoreWriter) -> None:
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel, advice=True)
    drain(notifier)
    store.write([*opening(), *[sign(T0 + SECOND, "sudden-change")]])
    drain(notifier)
    (message,) = channel.messages
    (row,) = exported(store)
    assert {name: message[name] for name in row} == row
    assert list(row) == list(Fault.__struct_fields__)
    assert message | row == message
    assert set(message) - set(row) == {
        *("event", "change", "message_id", "station", "utc", "text"),
        *("change_utc", "others", "advice"),
    }
    assert message["event"] == "fault"
    assert message["text"] == "here: fault 1 opened 2026-03-01 19:00 UTC: the plug is opened"
    assert message["advice"] == ["look at high-swr sudden-change"]
    store.write([fault("quiet", T0 + MINUTE)])
    drain(notifier)
    assert channel.messages[1]["advice"] == []
    assert channel.messages[1]["state"] == "quiet"
    notifier.close()


def test_alarms_of_a_fault_make_no_messages(store: StoreWriter) -> None:
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel)
    drain(notifier)
    store.write(opening())
    for number in range(200):
        time_ns = T0 + number * SECOND
        store.write([sign(time_ns), alarm("cleared", time_ns + SECOND // 2)])
        clock.now_s += 1
        drain(notifier)
    assert channel.changes_of() == [(1, "opened")]
    notifier.close()


def test_a_kill_during_a_delivery_repeats_it_under_its_id_and_later_ones_repeat_nothing(
    store: StoreWriter,
) -> None:
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel)
    drain(notifier)
    notifier._store.save = lambda entries: None  # type: ignore[method-assign] - killed before
    store.write(opening())
    drain(notifier)
    for _ in range(3):  # killed: never closed
        notifier = make_notifier(store.path, clock, channel)
        drain(notifier)
    assert channel.changes_of() == [(1, "opened"), (1, "opened")]
    assert len({message["message_id"] for message in channel.messages}) == 1
    notifier.close()


def test_limits_hold_and_waiting_messages_survive_kills(store: StoreWriter) -> None:
    """A notifier that is killed after each step."""
    channel, clock = Recorder(), Clock()
    drain(make_notifier(store.path, clock, channel))
    store.write(opening())
    times = []
    for step, minute in enumerate([*range(0, 120, 5), *range(120, 48 * 60, 30)]):
        clock.now_s = 1000.0 + 60 * minute
        if minute:
            change = ("quiet", "returned")[step % 2]
            store.write([fault(change, T0 + minute * MINUTE)])
        notifier = make_notifier(store.path, clock, channel)
        drain(notifier)
        times += [minute] * (len(channel.messages) - len(times))
    assert times == [0, 5, 10, 60, 1500]
    assert notifier.status().waiting == 1


def test_faults_that_cannot_be_stored_are_reported_once(store: StoreWriter) -> None:
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel, alarms=["high-swr"])
    drain(notifier)
    notifier.offer(fault("opened", T0).event())
    notifier.offer(sign(T0).event())
    drain(notifier)
    assert channel.changes_of() == [(None, "opened")]
    store.write([*opening(), fault("worsened", T0 + SECOND, severity="critical")])
    drain(notifier)
    assert channel.changes_of() == [(None, "opened"), (1, "worsened")]
    notifier.close()


def test_faults_are_reported_without_any_store(tmp_path: Path) -> None:
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(tmp_path / "none.sqlite", clock, channel, daily="19:10", advice=True)
    notifier.offer(fault("opened", T0).event())
    drain(notifier)
    assert channel.messages[0]["summary"] == "the plug is opened"
    clock.now_s += 900
    drain(notifier)
    assert "1 open fault; fault open: the plug is opened" in channel.messages[1]["text"]
    notifier.close()


@pytest.mark.parametrize(
    ("options", "reported"),
    [
        ({}, [1, 2, 3]),
        ({"severities": ["critical"]}, [2]),
        ({"alarms": ["no-data", "baseline-shift"]}, [3]),
        ({"alarms": ["high-swr"], "severities": ["warning"]}, [1]),
    ],
)
def test_only_wanted_faults_are_reported(
    store: StoreWriter, options: dict[str, Any], reported: list[int]
) -> None:
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel, **options)
    drain(notifier)
    kinds = (("high-swr", "warning"), ("sudden-change", "critical"), ("no-data", "warning"))
    for number, (kind, severity) in enumerate(kinds):
        store.write(opening(T0 + number * SECOND, kind, severity))
        drain(notifier)
        clock.now_s += 600
    assert [message["id"] for message in channel.messages] == reported
    notifier.close()


def test_a_fault_is_reported_once_a_wanted_kind_of_alarm_joins_it(store: StoreWriter) -> None:
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel, alarms=["heating-joint"])
    drain(notifier)
    store.write(opening())
    drain(notifier)
    assert channel.messages == []
    for number in range(1, 4):
        store.write([sign(T0 + number * SECOND, "heating-joint")])
        drain(notifier)
    assert channel.changes_of() == [(1, "opened")]
    notifier.close()


def test_a_fault_of_shelved_kinds_waits_until_another_alarm_joins_it(store: StoreWriter) -> None:
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel)
    drain(notifier)
    store.write([alarm("raised", T0 - MINUTE), alarm("cleared", T0 - 1)])
    with closing(Alarms.editor(store.path)) as shelf:
        shelf.shelve(1, T0 + 86_400 * SECOND, T0)
    store.write(opening())
    drain(notifier)
    assert channel.messages == []
    notifier = make_notifier(store.path, clock, channel)  # survives a kill
    drain(notifier)
    assert channel.messages == []
    store.write([sign(T0 + SECOND, "sudden-change")])
    drain(notifier)
    assert channel.changes_of() == [(1, "opened")]
    notifier.close()


def test_a_fault_of_a_shelved_kind_is_reported_when_the_time_is_over(store: StoreWriter) -> None:
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel)
    drain(notifier)
    store.write([alarm("raised", T0 - MINUTE), alarm("cleared", T0 - 1)])
    with closing(Alarms.editor(store.path)) as shelf:
        shelf.shelve(1, T0 + 3600 * SECOND, T0)
    store.write([*opening(), fault("worsened", T0 + SECOND, severity="critical")])
    drain(notifier)
    assert channel.messages == []
    clock.now_s += 3601
    drain(notifier)
    assert channel.changes_of() == [(1, "opened")]
    assert channel.messages[0]["severity"] == "critical"
    notifier.close()


def test_an_update_that_is_no_longer_news_is_dropped(store: StoreWriter) -> None:
    """A person who acknowledges the fault has seen that it is worse."""
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel)
    drain(notifier)
    store.write(opening())
    drain(notifier)
    faults = Faults(store.database)
    faults.explain(1, "water", 0.9, "Probably water.", T0 + SECOND)
    drain(notifier)
    store.write([fault("worsened", T0 + 2 * SECOND, severity="critical")])
    drain(notifier)
    assert channel.changes_of() == [(1, "opened"), (1, "explained")]
    assert notifier.status().waiting == 1
    faults.acknowledge(1, T0 + 3 * SECOND)
    clock.now_s += 601
    drain(notifier)
    assert len(channel.messages) == 2
    notifier.close()
    with closing(sqlite3.connect(store.path)) as connection:
        assert connection.execute("SELECT count(*) FROM deliveries").fetchone() == (2,)


def test_faults_during_an_outage_share_one_message(store: StoreWriter) -> None:
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel)
    drain(notifier)
    channel.is_away = True
    store.write(opening(T0))
    notifier.step()
    for number in range(1, 6):
        store.write(opening(T0 + number * SECOND, "no-data"))
    notifier.step()
    clock.now_s += 3600
    notifier.step()
    channel.is_away = False
    clock.now_s += 3600
    drain(notifier)
    assert [len(message["others"]) for message in channel.messages] == [0, 4]
    assert channel.messages[1]["text"].startswith("here: 5 faults: fault 2 opened")
    assert notifier.status().waiting == 0
    assert notifier.status().delivered == 2
    notifier.close()


def test_a_message_of_several_faults_is_repeated_after_a_kill(store: StoreWriter) -> None:
    channel, clock = Recorder(), Clock()
    drain(make_notifier(store.path, clock, channel))
    channel.is_away = True
    store.write([row for number in range(5) for row in opening(T0 + number * SECOND)])
    make_notifier(store.path, clock, channel).step()
    channel.is_away = False
    notifier = make_notifier(store.path, clock, channel)
    drain(notifier)
    assert len(channel.attempts) == 2
    assert channel.attempts[0] == channel.attempts[1]
    store.write([fault("returned", T0 + MINUTE)])
    drain(notifier)
    assert channel.changes_of()[1:] == [(1, "returned")]
    notifier.close()


def test_daily_message_says_what_to_do_until_the_fault_is_acknowledged(store: StoreWriter) -> None:
    channel, clock = Recorder(), Clock()  # T0 is 19:00:05
    notifier = make_notifier(store.path, clock, channel, daily="20:00")
    drain(notifier)
    store.write(opening())
    drain(notifier)
    clock.now_s += 3600
    drain(notifier)
    daily = channel.messages[1]
    assert daily["event"] == "daily"
    assert daily["open_faults"] == [1]
    assert "watching; last pair" in daily["text"]
    assert daily["text"].endswith("1 open fault; fault 1 open: the plug is opened")
    assert daily["advice"] == ["fault 1 open: the plug is opened", "look at high-swr"]
    Faults(store.database).acknowledge(1, T0 + SECOND)
    clock.now_s += 86_400
    drain(notifier)
    assert channel.messages[2]["advice"] == []
    assert "fault 1 open, acknowledged: the plug" in channel.messages[2]["text"]
    store.write([fault("closed", T0 + 2 * 86_400 * SECOND)])
    drain(notifier)
    clock.now_s += 86_400
    drain(notifier)
    assert channel.messages[4]["open_faults"] == []
    assert channel.messages[4]["text"].endswith("; no open faults")
    assert len(channel.messages) == 5
    notifier.close()


def test_another_detail_reports_nothing_of_the_past(store: StoreWriter) -> None:
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel, detail="alarms")
    drain(notifier)
    store.write([*opening(), alarm("cleared", T0 + SECOND)])
    drain(notifier)
    notifier.close()
    assert [message["event"] for message in channel.messages] == ["alarm", "alarm"]
    notifier = make_notifier(store.path, clock, channel)
    drain(notifier)
    assert len(channel.messages) == 2
    store.write([fault("returned", T0 + MINUTE), sign(T0 + MINUTE)])
    drain(notifier)
    notifier.close()
    notifier = make_notifier(store.path, clock, channel, detail="alarms")
    drain(notifier)
    notifier.close()
    assert [message["event"] for message in channel.messages] == ["alarm", "alarm", "fault"]


@pytest.mark.parametrize("detail", ["faults", "alarms"])
def test_advice_is_by_the_stored_cause_once_there_is_one(store: StoreWriter, detail: str) -> None:
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel, advice=True, detail=detail)
    drain(notifier)
    store.write(opening())
    drain(notifier)
    Faults(store.database).explain(1, "water", 0.9, "Probably water.", T0 + SECOND)
    drain(notifier)
    clock.now_s += 700
    store.write([sign(T0 + MINUTE, "sudden-change"), fault("worsened", T0 + MINUTE)])
    drain(notifier)
    assert channel.messages[0]["advice"] == ["look at high-swr"]
    assert channel.messages[-1]["advice"] == ["look at water"]
    notifier.close()
    store.write(
        [sign(T0 + 2 * MINUTE, "no-data"), alarm("cleared", T0 + 2 * MINUTE + 1, "no-data")]
    )
    channel.messages.clear()
    notifier = make_notifier(store.path, clock, channel, advice=True, detail=detail)
    drain(notifier)
    if detail == "alarms":
        assert [message["advice"] for message in channel.messages] == [["look at water"], []]
    notifier.close()


@pytest.mark.parametrize(
    ("name", "detail", "reported"),
    [
        ("command", "alarms", [("high-swr", "raised"), ("high-swr", "cleared")]),
        ("mail", "faults", [None, (1, "explained")]),
        ("mail", "alarms", [None]),
    ],
)
def test_what_an_earlier_version_had_not_delivered_is_delivered_once(
    tmp_path: Path, name: str, detail: str, reported: list[Any]
) -> None:
    """Of the changes that this notifier had not seen, those that it reports now."""
    path = old_store(tmp_path / "old.sqlite", 8)
    StoreWriter.open(path).close()
    channel, clock = Recorder(), Clock()
    for _ in range(2):
        notifier = make_notifier(path, clock, channel, name=name, detail=detail)
        drain(notifier)
        notifier.close()
        clock.now_s += 3600
    told = [
        (message.get("kind", message.get("id")), message["change"]) if "change" in message else None
        for message in channel.messages
    ]
    assert told == reported


def test_a_change_that_was_removed_is_not_reported(store: StoreWriter) -> None:
    """By `recompute`, between two runs of the daemon."""
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel)
    drain(notifier)
    notifier.close()
    store.write(opening())
    store.database.execute("DELETE FROM fault_changes")
    notifier = make_notifier(store.path, clock, channel)
    drain(notifier)
    notifier.close()
    assert channel.messages == []
    assert store.database.query("SELECT * FROM deliveries") == []


@pytest.mark.parametrize("detail", ["faults", "alarms"])
def test_an_offered_change_is_delivered_without_the_store_and_recorded_there(
    store: StoreWriter, detail: str
) -> None:
    """Once, whether it was offered before it was stored or after."""
    channel, clock = Recorder(), Clock()
    notifier = make_notifier(store.path, clock, channel, detail=detail)
    drain(notifier)
    for number in range(2):
        rows = opening(T0 + number * SECOND, ("high-swr", "no-data")[number])
        events = [row.event() for row in rows if isinstance(row, AlarmChange | FaultChange)]
        if number:
            events = [event for event in store.write(rows) if not isinstance(event, Record)]
        for event in events:
            notifier.offer(event)
        notifier.step()
        assert len(channel.messages) == number + 1
        store.write(rows)
        drain(notifier)
    notifier.close()
    assert len(channel.messages) == 2
    recorded = "SELECT count(*), count(ended_ns), count(message) FROM deliveries"
    assert store.database.query(recorded) == [(2, 2, 2)]


def test_a_notifier_that_is_gone_leaves_a_bounded_number_of_rows(store: StoreWriter) -> None:
    make_notifier(store.path, Clock(), Recorder(), detail="alarms").step()
    with store.database.transaction():
        store.write([alarm("raised", T0)])
        store.database.execute(
            "WITH RECURSIVE n AS (SELECT 1 AS i UNION ALL SELECT i + 1 FROM n WHERE i < 15000)"
            " INSERT INTO alarm_changes (alarm_id, change, time_ns)"
            " SELECT 1, 'acknowledged', i FROM n"
        )
    assert store.database.query_value("SELECT count(*) FROM deliveries") <= 10_100
