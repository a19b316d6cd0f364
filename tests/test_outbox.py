"""What a forwarder has delivered is never forgotten, and what changed is delivered again."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from random import Random

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from logger.config.load import InfluxOptions
from logger.forward import influx
from logger.forward.answers import ServerError
from logger.forward.influx import InfluxForwarder, build_forwarders
from logger.rows import (
    Excursion,
    FaultChange,
    FaultChangeKind,
    FaultFamily,
    FaultState,
    Severity,
    Transmission,
)
from logger.store.journal import Journal
from logger.store.line_protocol import point
from logger.store.outbox import MOST_REFUSALS, Outbox, OutboxPosition, RefusedRow, Retracted
from logger.store.tables import ALARM_CHANGES, FORWARDED, SECONDS, TRANSMISSIONS
from logger.store.writer import StoreWriter
from tests.examples import examples
from tests.old_stores import old_store
from tests.test_archive import schema_of
from tests.test_store import ALWAYS, SECOND, T0, alarm, second, transmission

OPTIONS = InfluxOptions(url="http://127.0.0.1:9", org="home", bucket="station")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    with StoreWriter.open(tmp_path / "station.sqlite") as opened:
        yield opened


@pytest.fixture
def outbox(store: StoreWriter) -> Outbox:
    return Outbox(store.database)


def test_a_store_of_version_1_is_brought_up_to_date(tmp_path: Path) -> None:
    path = old_store(tmp_path / "old.sqlite", 1)
    with StoreWriter.open(path) as old, StoreWriter.open(tmp_path / "new.sqlite") as new:
        outbox = Outbox(old.database)
        live = {table.name: outbox.position("influxdb", table).live for table in FORWARDED}
        assert {name: upto for name, upto in live.items() if upto} == {
            "alarm_changes": 5,
            "transmissions": 2,
            "seconds": 4,
        }
        # Alarms are delivered anew: their points were at another time.
        assert outbox.totals("influxdb").backlog == 6 + 1 + 2 + 3
        assert schema_of(old.path) == schema_of(new.path)


def test_the_first_without_a_name_goes_on_from_where_version_1_had_got(tmp_path: Path) -> None:
    path = old_store(tmp_path / "old.sqlite", 1)
    StoreWriter.open(path).close()
    other = InfluxOptions(url="http://elsewhere:8086", org="home", bucket="station")
    build_forwarders(path, [OPTIONS, other], "here", {})
    with closing(Outbox.editor(path)) as outbox:
        assert outbox.totals(OPTIONS.title).backlog == 6 + 1 + 2 + 3  # points of alarms
        assert outbox.totals(other.title).backlog == 3 + 6 + 6
    build_forwarders(path, [other], "here", {})  # now it has a bucket of its own to begin with
    with closing(Outbox.editor(path)) as outbox:
        assert outbox.totals(other.title).backlog == 15


def test_the_name_of_version_1_goes_on_where_it_is_used(tmp_path: Path) -> None:
    path = old_store(tmp_path / "old.sqlite", 1)
    StoreWriter.open(path).close()
    named = InfluxOptions(name="influxdb", url="http://a", org="home", bucket="station")
    build_forwarders(path, [OPTIONS, named], "here", {})
    with closing(Outbox.editor(path)) as outbox:
        assert outbox.totals("influxdb").backlog == 6 + 1 + 2 + 3
        assert outbox.totals(OPTIONS.title).backlog == 15


def test_another_bucket_starts_from_the_first_row() -> None:
    titles = {
        InfluxOptions(url=url, org=org, bucket=bucket).title
        for url in ("http://a:8086", "http://b:8086", "http://a:8086/influx")
        for org in ("home", "club")
        for bucket in ("station", "spare")
    }
    assert len(titles) == 12
    secret = InfluxOptions(url="https://me:secret@a:8086/?token=secret", org="o", bucket="b")
    assert secret.title == "https://a:8086 o/b"


def excursion(time_ns: int, duration_ms: float) -> Excursion:
    return Excursion(time_ns=time_ns, duration_ms=duration_ms, swr_peak=4.1, swr_beside=1.2)


def opened(time_ns: int) -> FaultChange:
    return FaultChange(
        opened_ns=time_ns,
        family=FaultFamily.NO_DATA,
        change=FaultChangeKind.OPENED,
        time_ns=time_ns,
        state=FaultState.OPEN,
        severity=Severity.WARNING,
        summary="No data",
        first_ns=time_ns,
    )


OPERATIONS = st.lists(
    st.tuples(
        st.sampled_from(
            [
                "write",
                "write",
                "step",
                "step",
                "refused",
                "down",
                "change",
                "race",
                "wait",
                "crash",
                "gone",
                "gone",
                "retag",
            ]
        ),
        st.integers(1, 12),
    ),
    max_size=30,
)


@examples(15)
@given(OPERATIONS)
@example([("write", 2), ("step", 1), ("write", 2), ("step", 1), ("gone", 3), ("write", 1)])
def test_the_server_ends_up_with_every_row_as_it_is(
    tmp_path_factory: pytest.TempPathFactory, operations: list[tuple[str, int]]
) -> None:
    """Whatever order of rows written, rewritten (also while they are on their way), deleted and
    written again, transmissions ending late or changing channel, servers going away, refusals of
    whole batches and crashes."""
    folder = tmp_path_factory.mktemp("outbox")
    now_s = [0.0]
    with (
        StoreWriter.open(folder / "station.sqlite") as store,
        pytest.MonkeyPatch.context() as patch,
    ):
        patch.setattr(influx, "LIVE_ROWS", 2)
        patch.setattr(influx, "BATCH_ROWS", 4)
        patch.setattr(influx, "RETRACTED", 3)
        server: dict[str, str] = {}  # by measurement, tags and time, as a database does
        written = 0
        changes = 0
        mode = ["up"]
        race: list[int] = []

        def change(number: int) -> None:
            nonlocal changes
            if written:
                changes += 1
                at_ns = T0 + (number % written) * 10 * SECOND
                store.write(
                    [
                        transmission(at_ns, energy_j=float(changes)),
                        second(at_ns, at_ns, samples=changes),
                        excursion(at_ns, float(changes)),
                    ]
                )
                store.database.execute(
                    "UPDATE journal SET kind = ?, text = ? WHERE time_ns = ?",
                    (("remark", "repair")[changes % 2], str(changes), at_ns),
                )

        def send(lines: list[str]) -> influx.Refusal | None:
            if race:
                change(race.pop())
            if mode[0] == "down":
                raise ServerError("unreachable", "away")
            if mode[0] == "refused" and len(lines) > 1:
                return influx.Refusal(influx.RowFault.BAD, "one of them")
            for text in lines:
                head, _, rest = text.partition(" ")
                body, _, at = rest.rpartition(" ")
                server[f"{head} {at}"] = body
            return None

        def gone(number: int) -> None:
            if written:
                at_ns = T0 + (number % written) * 10 * SECOND
                with store.database.transaction():
                    for statement in (
                        "DELETE FROM alarm_changes WHERE alarm_id IN"
                        " (SELECT id FROM alarms WHERE raised_ns = ?)",
                        "DELETE FROM alarms WHERE raised_ns = ?",
                        "DELETE FROM fault_changes WHERE time_ns = ?",
                        "DELETE FROM faults WHERE opened_ns = ?",
                        "DELETE FROM excursions WHERE time_ns = ?",
                        "DELETE FROM journal WHERE time_ns = ?",
                        "DELETE FROM seconds WHERE time_ns = ?",
                        "DELETE FROM transmissions WHERE start_ns = ?",
                    ):
                        store.database.execute(statement, (at_ns,))

        def delete(spans: list[Retracted]) -> bool:
            if race:
                change(race.pop())
            if mode[0] == "down":
                raise ServerError("unreachable", "away")
            for span in spans:
                for key in list(server):
                    head, _, at = key.rpartition(" ")
                    same = head.partition(",")[0] == span.table.measurement
                    if same and span.since_ns <= int(at) <= span.until_ns:
                        del server[key]
            return True

        def started() -> InfluxForwarder:
            forwarder = InfluxForwarder(
                store.path, OPTIONS, "here", {}, random=Random(1), clock=lambda: now_s[0]
            )
            forwarder._send = send  # type: ignore[method-assign] # no network here
            forwarder._delete = delete  # type: ignore[method-assign]
            return forwarder

        forwarder = started()
        for operation, number in operations:
            if operation == "write":
                for _ in range(number):
                    at_ns = T0 + written * 10 * SECOND
                    late = written % 5 == 3  # ends when it is changed, if ever
                    store.write(
                        [
                            transmission(at_ns, ended=not late),
                            second(at_ns, at_ns),
                            alarm("raised", at_ns, start_ns=at_ns),
                            excursion(at_ns, 20.0),
                            opened(at_ns),
                        ]
                    )
                    Journal(store.database).insert(at_ns, "remark", "a plug")
                    written += 1
            elif operation == "change":
                change(number)
            elif operation == "gone":
                gone(number)
            elif operation == "retag":
                if written:
                    at_ns = T0 + (number % written) * 10 * SECOND
                    store.write([transmission(at_ns, channel=number)])
            elif operation == "wait":
                now_s[0] += number
            elif operation == "crash":
                outbox = forwarder._outbox
                if outbox is not None:
                    outbox.close()
                forwarder = started()
            else:
                mode[0] = {"step": "up", "race": "up"}.get(operation, operation)
                if operation == "race":
                    race.append(number)
                try:
                    forwarder.step()
                except ServerError:
                    assert mode[0] == "down"
                race.clear()
        mode[0] = "up"
        now_s[0] += 1000
        while forwarder.step():
            now_s[0] += 1
        assert forwarder.status().backlog == 0
        forwarder.close()
        expected = {}
        for table in FORWARDED:
            for record in store.records(table, *ALWAYS):
                head, _, rest = point(table, record, "here", store.station_id).partition(" ")
                body, _, at = rest.rpartition(" ")
                expected[f"{head} {at}"] = body
        # What a fault's signs come to at its delivery is not corrected later.
        assert {key: key.startswith("fault,") or body for key, body in server.items()} == {
            key: key.startswith("fault,") or body for key, body in expected.items()
        }


def test_only_what_was_rewritten_goes_out_again(store: StoreWriter) -> None:
    store.write([transmission(T0 + k * 10 * SECOND) for k in range(100)])
    sent: list[str] = []
    with closing(InfluxForwarder(store.path, OPTIONS, "here", {})) as forwarder:
        forwarder._send = sent.extend  # type: ignore[assignment] # returns None: taken
        while forwarder.step():
            pass
        sent.clear()
        store.write([transmission(T0 + k * 10 * SECOND, energy_j=1.0) for k in (40, 43)])
        while forwarder.step():
            pass
    assert len(sent) == 4


@examples(10)
@given(st.lists(st.tuples(st.integers(1, 3), st.booleans(), st.booleans()), max_size=12))
def test_a_row_is_delivered_once_when_it_is_final(
    tmp_path_factory: pytest.TempPathFactory, overs: list[tuple[int, bool, bool]]
) -> None:
    """Some servers keep every version of a point. Also over restarts."""
    now_s = [0.0]
    sent: list[str] = []
    ending: list[Transmission] = []  # while a delivery is on its way

    def send(lines: list[str]) -> None:
        if lines[0].startswith("transmission"):
            store.write([ending.pop() for _ in ending[:1]])
        sent.extend(lines)

    def begin() -> InfluxForwarder:
        forwarder = InfluxForwarder(
            store.path, OPTIONS, "here", {}, random=Random(1), clock=lambda: now_s[0]
        )
        forwarder._send = send  # type: ignore[assignment] # returns None: taken
        return forwarder

    with StoreWriter.open(tmp_path_factory.mktemp("outbox") / "station.sqlite") as store:
        forwarder = begin()
        forwarder.step()
        for number, (parts, is_restarted, overlaps) in enumerate(overs):
            start_ns = T0 + number * 10 * SECOND
            for part in range(parts):
                store.write([transmission(start_ns, ended=False, energy_j=float(part))])
                forwarder.step()
            if not overlaps or ending:  # two never overlap
                store.write([transmission(start_ns, energy_j=1.0)])
            else:
                ending.append(transmission(start_ns, energy_j=1.0))
            store.write(
                [
                    alarm("raised", start_ns),
                    alarm("cleared", start_ns + SECOND),
                    excursion(start_ns, 20.0),
                    opened(start_ns),
                ]
            )
            Journal(store.database).insert(start_ns, "remark", "a plug")
            now_s[0] += 0.3
            while forwarder.step():
                pass
            if is_restarted:
                forwarder.close()
                forwarder = begin()
        while forwarder.step():
            pass
        forwarder.close()
        places = [(text.split()[0], text.split()[-1]) for text in sent]
        assert len(set(places)) == len(places)
        ended = len(store.select(TRANSMISSIONS, "TRUE"))
        assert len(places) == ended + 5 * len(overs)


def test_ids_used_again_are_followed(store: StoreWriter) -> None:
    store.write([transmission(), *(second(T0 + k * SECOND) for k in range(5))])
    with closing(InfluxForwarder(store.path, OPTIONS, "here", {})) as forwarder:
        sent: list[str] = []
        forwarder._send = sent.extend  # type: ignore[assignment] # returns None: taken
        assert forwarder.step() == 6
        forwarder.close()
        with closing(sqlite3.connect(store.path)) as other, other:
            other.execute("DELETE FROM seconds WHERE id > 2")
        store.write([second(T0 + k * SECOND, samples=7) for k in range(2, 4)])
        sent.clear()
        while forwarder.step():
            pass
    assert len([text for text in sent if "samples=7.0" in text]) == 2


def test_the_newest_refusals_are_kept(outbox: Outbox) -> None:
    outbox.begin("a")
    for first in (1, MOST_REFUSALS):
        rows = [RefusedRow("seconds", first + k, T0, T0, "bad") for k in range(MOST_REFUSALS)]
        assert outbox.save("a", SECONDS, OutboxPosition(live=9), T0, rows)
    totals = outbox.totals("a", latest=10**6)
    assert totals.refused == 2 * MOST_REFUSALS
    assert [row.row_id for row in totals.latest] == list(range(2 * MOST_REFUSALS - 1, 999, -1))
    assert totals.taken_ns == T0


def test_a_position_from_before_a_rewrite_is_not_kept(store: StoreWriter, outbox: Outbox) -> None:
    store.write([transmission()])
    outbox.begin("a")
    before = outbox.position("a", TRANSMISSIONS)
    store.write([transmission(energy_j=3.0)])
    assert not outbox.save("a", TRANSMISSIONS, before.took_live(0, 1), T0)
    assert outbox.position("a", TRANSMISSIONS).live == 0
    assert outbox.position("a", ALARM_CHANGES) == OutboxPosition()
