"""Notifiers follow the store: in order, across restarts, each by itself; alarms are shelved."""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from collections.abc import Collection, Iterator
from contextlib import closing
from pathlib import Path
from random import Random
from typing import Any

import msgspec
import pytest

from logger.config.load import load
from logger.config.notifiers import NotifierOptions, WebhookOptions
from logger.notify.build import build_channel
from logger.notify.channel import ChannelContext
from logger.notify.notifier import Notifier
from logger.rows import AlarmChange, AlarmEvent, Fault, Severity
from logger.store.alarms import Alarms
from logger.store.deliveries import Deliveries
from logger.store.tables import ALARMS
from logger.store.writer import StoreWriter
from logger.utc import DAY_NS, format_ns
from tests.counterparts import hook_server
from tests.deadlines import in_time, scale, wait_until
from tests.old_stores import old_store
from tests.servers import free_port
from tests.station import mismatchd, write_config
from tests.test_health import schema_of
from tests.test_status import STATUS
from tests.test_store import ALWAYS, SECOND, T0, alarm, transmission

pytestmark = pytest.mark.realtime


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    opened = StoreWriter.open(tmp_path / "station.sqlite")
    opened.write([transmission()])
    yield opened
    opened.close()


class Clock:
    """Both clocks of a notifier, moved by the test."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def utc_ns(self) -> int:
        return T0 + round((self.now_s - 1000) * SECOND)


def advise(fault: Fault | None, kinds: Collection[str]) -> list[str]:
    cause = None if fault is None else fault.probable_cause
    return [f"look at {cause or ' '.join(sorted(kinds))}"]


def make_notifier(store: Path, clock: Clock, url: str, **more: Any) -> Notifier:
    options = WebhookOptions(url=url, timeout_s=0.5, advice=True, **{"detail": "alarms"} | more)
    notifier = Notifier(
        options,
        store,
        "here",
        read_status=lambda: msgspec.structs.replace(STATUS, running_s=12.0, last_pair_ns=T0),
        advise=advise,
        random=Random(1),
        clock=lambda: clock.now_s,
        utc_ns=clock.utc_ns,
    )
    notifier.use(build_channel(options, ChannelContext("here", store.parent, {})))
    return notifier


def drain(notifier: Notifier) -> None:
    while notifier.step() == 0.0:
        pass


def changes_of(messages: list[dict[str, Any]]) -> list[tuple[Any, ...]]:
    """Kind, change, raisings and clearings of messages."""
    return [(m["kind"], m["change"], m["raise_count"], m["clear_count"]) for m in messages]


@pytest.mark.parametrize("stall_s", [0.0, 10.0])
def test_raised_and_cleared_are_told_once_in_order_across_outage_and_restart(
    store: StoreWriter, caplog: pytest.LogCaptureFixture, stall_s: float
) -> None:
    clock = Clock()
    with hook_server() as server:
        notifier = make_notifier(store.path, clock, server.url)
        drain(notifier)
        server.status, server.stall_s = 503, stall_s
        store.write([alarm("raised", T0 + SECOND)])
        with caplog.at_level(logging.INFO):
            waits = []
            for _ in range(4):
                waits.append(notifier.step())
                clock.now_s += waits[-1]
        assert len([r for r in caplog.records if "not delivered" in r.getMessage()]) == 1
        assert waits == sorted(waits)  # longer with each failure
        assert notifier.status().failing
        assert notifier.status().waiting == 1
        store.write(
            [alarm("raised", T0 + 2 * SECOND, "no-data"), alarm("cleared", T0 + 3 * SECOND)]
        )
        notifier.close()

        again = make_notifier(store.path, clock, server.url)
        again.step()
        assert server.taken() == []
        server.status, server.stall_s = 204, 0.0
        clock.now_s += 61
        drain(again)
        assert changes_of(server.taken()) == [
            ("high-swr", "raised", 1, 0),
            ("no-data", "raised", 1, 0),
            ("high-swr", "cleared", 0, 1),
        ]
        ids = {post.message["message_id"] for post in server.posts}
        assert len(ids) == 3  # the same in every attempt
        assert again.status().waiting == 0
        again.close()
        third = make_notifier(store.path, clock, server.url)
        drain(third)
        assert len(server.taken()) == 3
        third.close()
    message = server.taken()[0]
    assert message["event"] == "alarm"
    assert message["station"] == "here"
    assert message["advice"] == ["look at high-swr"]
    assert message["open_alarms"] == ["high-swr"]
    exported = [record.columns for record in store.records(ALARMS, *ALWAYS)]
    assert all(message[name] == exported[0][name] for name in ("id", "value", "limit", "detail"))


def test_a_crash_in_the_middle_repeats_one_message_under_its_id(store: StoreWriter) -> None:
    """The mark is made after the delivery; a kill in between is a notifier that is never closed."""
    clock = Clock()
    with hook_server() as server:
        notifier = make_notifier(store.path, clock, server.url)
        drain(notifier)
        save = notifier._store.save
        notifier._store.save = lambda entries: None  # type: ignore[method-assign] - killed before
        store.write([alarm("raised", T0 + SECOND)])
        drain(notifier)
        notifier._store.save = save  # type: ignore[method-assign]
        again = make_notifier(store.path, clock, server.url)
        drain(again)
        drain(again)
        again.close()
        assert len(server.taken()) == 2
        assert len({message["message_id"] for message in server.taken()}) == 1


def test_a_new_notifier_does_not_tell_of_the_past(store: StoreWriter) -> None:
    store.write([alarm("raised", T0), alarm("cleared", T0 + SECOND), alarm("raised", T0 + 5)])
    with hook_server() as server:
        notifier = make_notifier(store.path, Clock(), server.url)
        drain(notifier)
        assert server.posts == []
        notifier.close()


def test_what_is_refused_for_good_holds_nothing_up(store: StoreWriter) -> None:
    with hook_server() as server:
        clock = Clock()
        notifier = make_notifier(store.path, clock, server.url)
        drain(notifier)
        server.status = 422
        store.write([alarm("raised", T0)])
        drain(notifier)
        server.status = 204
        store.write([alarm("raised", T0 + 1, "no-data")])
        drain(notifier)
        assert changes_of(server.taken()) == [("no-data", "raised", 1, 0)]
        assert notifier.status().given_up == 1
        assert "answers 422" in notifier.status().last_error
        assert not notifier.status().failing
        notifier.close()
    with closing(Deliveries.editor(store.path)) as queue:
        assert queue.totals("webhook").given_up == 1


def test_only_what_is_wanted_is_told(store: StoreWriter) -> None:
    def row(kind: str, severity: str, at_ns: int) -> AlarmChange:
        return msgspec.structs.replace(alarm("raised", at_ns, kind), severity=Severity(severity))

    with hook_server() as server:
        notifier = make_notifier(
            store.path,
            Clock(),
            server.url,
            alarms=["high-swr", "no-data"],
            severities=["critical"],
        )
        drain(notifier)
        store.write(
            [
                row("high-swr", "critical", T0),
                row("no-data", "warning", T0 + 1),
                row("detector-fault", "critical", T0 + 2),
            ]
        )
        drain(notifier)
        assert changes_of(server.taken()) == [("high-swr", "raised", 1, 0)]
        notifier.close()


def test_alarms_added_in_hindsight_wake_nobody(store: StoreWriter) -> None:
    with hook_server() as server:
        notifier = make_notifier(store.path, Clock(), server.url)
        drain(notifier)
        with store.database.transaction():
            store.write([alarm("raised", T0)])
            store.database.execute("UPDATE alarms SET cleared_ns = ?", (T0 + SECOND,))
        store.write([alarm("raised", T0 + SECOND, "no-data")])
        drain(notifier)
        assert changes_of(server.taken()) == [("no-data", "raised", 1, 0)]
        notifier.close()


def unstored(change: str, at_ns: int, kind: str = "high-swr") -> AlarmEvent:
    """Return the event that the keeper reports while the disk is full."""
    return alarm(change, at_ns, kind).event()


def test_what_cannot_be_stored_is_told_once_all_the_same(store: StoreWriter) -> None:
    with hook_server() as server:
        notifier = make_notifier(store.path, Clock(), server.url)
        drain(notifier)
        notifier.offer(unstored("raised", T0 + SECOND))
        notifier.offer(unstored("cleared", T0 + 2 * SECOND))
        drain(notifier)
        assert changes_of(server.taken()) == [
            ("high-swr", "raised", 1, 0),
            ("high-swr", "cleared", 0, 1),
        ]
        store.write([alarm("raised", T0 + SECOND), alarm("cleared", T0 + 2 * SECOND)])
        drain(notifier)
        assert len(server.taken()) == 2
        notifier.close()


def test_alarms_are_told_without_any_store(tmp_path: Path) -> None:
    with hook_server() as server:
        notifier = make_notifier(tmp_path / "none.sqlite", Clock(), server.url)
        notifier.offer(unstored("raised", T0))
        drain(notifier)
        assert changes_of(server.taken()) == [("high-swr", "raised", 1, 0)]
        notifier.close()


def test_a_storm_and_the_store_stay_small(store: StoreWriter) -> None:
    clock = Clock()
    with hook_server() as server:
        notifier = make_notifier(store.path, clock, server.url)
        drain(notifier)
        for number in range(600):  # five minutes, two a second
            at_ns = T0 + number * SECOND // 2
            store.write([alarm("raised", at_ns), alarm("cleared", at_ns + SECOND // 4)])
            clock.now_s += 0.5
            drain(notifier)
        messages = server.taken()
        assert [m["change"] for m in messages[:2]] == ["raised", "cleared"]
        assert 4 <= len(messages) - 2 <= 5
        assert sum(m["raise_count"] for m in messages) >= 460
        assert notifier.status().waiting == 1
        notifier.close()
    with closing(sqlite3.connect(store.path)) as connection:
        # Those of the last minute wait, to be counted in the next message.
        assert connection.execute("SELECT count(*) FROM deliveries").fetchone()[0] < 250


def test_daily_message(store: StoreWriter) -> None:
    clock = Clock()  # T0 is 19:00:05
    with hook_server() as server:
        notifier = make_notifier(store.path, clock, server.url, daily="08:00")
        beats = []
        for hour in range(60):
            drain(notifier)
            beats += [hour] * (len(server.posts) - len(beats))
            clock.now_s += 3600
            if hour == 30:  # a restart
                notifier.close()
                notifier = make_notifier(store.path, clock, server.url, daily="08:00")
        notifier.close()
        assert beats == [13, 37]
        message = server.posts[0].message
        assert message["event"] == "daily"
        assert message["open_alarms"] == []
        assert message["last_pair_utc"] == format_ns(T0)
        assert "watching" in message["text"]


def test_a_dead_notifier_delays_no_other_and_ends_in_time(store: StoreWriter) -> None:
    with hook_server() as stalled, hook_server() as sound:
        stalled.stall_s = 30
        threads, notifiers = [], []
        for name, server, limit_s in (("dead", stalled, 20.0), ("sound", sound, 5.0)):
            options = WebhookOptions(url=server.url, name=name, timeout_s=limit_s, detail="alarms")
            notifier = Notifier(options, store.path, "here")
            notifier.use(build_channel(options, ChannelContext("here", store.path.parent, {})))
            notifiers.append(notifier)
            threads.append(threading.Thread(target=notifier.run, daemon=True))
            threads[-1].start()
        with closing(Deliveries.editor(store.path)) as queue:
            count = "SELECT count(*) FROM notifiers"
            assert wait_until(lambda: queue.database.query_value(count) == 2)
        begun_s = time.monotonic()
        for item in store.write([alarm("raised", T0)]):
            for notifier in notifiers:
                notifier.offer(item)
        assert wait_until(lambda: sound.taken())
        assert in_time(time.monotonic() - begun_s, 0.5)
        assert wait_until(lambda: stalled.posts)
        for notifier in notifiers:
            notifier.end()
        threads[1].join(scale(2))
        assert not threads[1].is_alive()
    again = make_notifier(store.path, Clock(), "http://127.0.0.1:9/x", name="dead")
    again.step()
    assert again.status().waiting == 1  # it was not marked, so nothing is lost
    again.close()


def test_no_secret_is_in_what_is_said(store: StoreWriter, caplog: pytest.LogCaptureFixture) -> None:
    """Whatever a channel raises."""

    class Careless:
        changes = frozenset({"raised"})

        def deliver(self, message: dict[str, Any]) -> None:
            raise UnicodeEncodeError("ascii", "top-secret\u00e4", 10, 11, "ordinal not in range")

        def close(self) -> None: ...

    notifier = Notifier(NotifierOptions(name="careless"), store.path, "here")
    notifier.use(Careless())
    notifier._step()
    store.write([alarm("raised", T0)])
    with caplog.at_level(logging.DEBUG):
        notifier._step()
    assert "internal failure: UnicodeEncodeError at test_notifiers.py" in caplog.text
    assert "top-secret" not in caplog.text + str(notifier.status())
    notifier.close()


# shelves


def test_a_shelved_kind_is_recorded_but_not_told_until_then(store: StoreWriter) -> None:
    clock = Clock()
    with hook_server() as server, closing(Alarms.editor(store.path)) as shelf:
        notifier = make_notifier(store.path, clock, server.url)
        drain(notifier)
        store.write([alarm("raised", T0)])
        drain(notifier)
        assert shelf.shelve(1, T0 + 7200 * SECOND, T0 + SECOND) == "high-swr"
        clock.now_s += 600
        store.write([alarm("cleared", T0 + SECOND), alarm("raised", T0 + 2 * SECOND)])
        store.write([alarm("raised", T0 + 3 * SECOND, "no-data")])
        drain(notifier)
        assert changes_of(server.taken())[1:] == [("no-data", "raised", 1, 0)]
        notifier.close()
        clock.now_s += 600
        notifier = make_notifier(store.path, clock, server.url)  # survives a restart
        drain(notifier)
        assert len(server.taken()) == 2
        clock.now_s += 6001
        drain(notifier)
        assert changes_of(server.taken())[2:] == [("high-swr", "raised", 1, 1)]
        notifier.close()


def test_what_is_taken_off_the_shelf_is_told_soon(store: StoreWriter) -> None:
    clock = Clock()
    with hook_server() as server, closing(Alarms.editor(store.path)) as shelf:
        notifier = make_notifier(store.path, clock, server.url)
        drain(notifier)
        store.write([alarm("raised", T0), alarm("cleared", T0 + 1)])
        drain(notifier)
        shelf.shelve(1, T0 + DAY_NS, T0)
        store.write([alarm("raised", T0 + SECOND)])
        clock.now_s += 61
        assert 0 < notifier.step() <= 1
        shelf.unshelve(2)
        drain(notifier)
        assert changes_of(server.taken())[2:] == [("high-swr", "raised", 1, 0)]
        notifier.close()


def test_alarms_are_shelved_and_listed_by_command(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/null")
    with closing(StoreWriter.open(tmp_path / "data/station.sqlite")) as store:
        now_ns = time.time_ns() // 1000 * 1000
        store.write([transmission()])
        for number in range(3):
            at_ns = now_ns - (3 - number) * 3600 * SECOND
            store.write([alarm("raised", at_ns), alarm("cleared", at_ns + SECOND)])
        store.write([alarm("raised", now_ns - 5 * 60 * SECOND)])
        shown = mismatchd("alarms", "-c", config).stdout.splitlines()
        assert [text.split()[2:6] for text in shown] == [
            ["3h", "high-swr", "x4", "cleared"],
            ["2h", "high-swr", "x4", "cleared"],
            ["1h", "high-swr", "x4", "cleared"],
            ["5m", "high-swr", "x4", "OPEN"],
        ]
        said = mismatchd("alarms", "shelve", "4", "--for", "2h", "-c", config).stderr
        assert "high-swr is shelved until" in said
        assert "high-swr is shelved until" in mismatchd("alarms", "-c", config).stderr
        rows = list(store.records(ALARMS, *ALWAYS))
        until_utc = rows[3].columns["shelved_until_utc"]
        assert until_utc > format_ns(now_ns + 7100 * SECOND)
        assert list(rows[3].columns)[-4:] == [
            "flags",
            "shelved_until_utc",
            "capture_id",
            "fault_id",
        ]
        mismatchd("alarms", "unshelve", "1", "-c", config)
        assert "shelved" not in mismatchd("alarms", "-c", config).stderr
        for arguments, said in (
            (["shelve", "4"], "say until when"),
            (["shelve", "4", "--for", "2h", "--until", "2099-01-01"], "say until when"),
            (["shelve", "4", "--until", "2h"], "has passed"),
            (["shelve", "4", "--for", "soon"], "not a duration"),
            (["shelve", "9", "--for", "2h"], "there is no alarm 9"),
        ):
            done = mismatchd("alarms", *arguments, "-c", config, check=False)
            assert done.returncode == 2
            assert said in done.stderr


def test_a_store_of_version_2_is_brought_up_to_date(tmp_path: Path) -> None:
    path = old_store(tmp_path / "old.sqlite", 2)
    StoreWriter.open(tmp_path / "new.sqlite").close()
    with closing(StoreWriter.open(path)) as store:
        rows = [record.columns for record in store.records(ALARMS, *ALWAYS)]
        assert [row["shelved_until_utc"] for row in rows] == [None, None, None]
        assert schema_of(path) == schema_of(tmp_path / "new.sqlite")
        with hook_server() as server:
            clock = Clock()
            notifier = make_notifier(path, clock, server.url)
            drain(notifier)
            assert server.posts == []
            store.write([alarm("raised", T0 + 3600 * SECOND), alarm("cleared", T0 + 3660 * SECOND)])
            drain(notifier)
            assert [each[:2] for each in changes_of(server.taken())] == [
                ("high-swr", "raised"),
                ("high-swr", "cleared"),
            ]
            notifier.close()


# the command


def test_notify_test_says_of_each_whether_it_came_through(tmp_path: Path) -> None:
    with hook_server() as server:
        notify = [
            {"kind": "webhook", "url": server.url},
            {"kind": "webhook", "name": "away", "url": f"http://127.0.0.1:{free_port()}/x"},
            {"kind": "command", "command": ["true"]},
        ]
        text = msgspec.json.encode(notify).decode()
        config = write_config(tmp_path, "/dev/null", notify=text)
        assert len(load(config).notifiers) == 3
        done = mismatchd("notify", "test", "-c", config, check=False)
        assert done.returncode == 1
        first, away, third = done.stdout.splitlines()
        assert first == "webhook: delivered"
        assert away.startswith("away: NOT delivered: http://127.0.0.1:")
        assert third == "command: delivered"
        assert server.taken()[0]["event"] == "test"
        config = write_config(
            tmp_path, "/dev/null", notify=msgspec.json.encode(notify[:1]).decode()
        )
        assert mismatchd("notify", "test", "-c", config).stdout == "webhook: delivered\n"
        shown = mismatchd("check", "-c", config).stdout
        assert f"webhook to {server.url.removesuffix('/alarm')}" in shown
