"""What is no row any more is deleted at servers, too: InfluxDB 2 by its interface, InfluxDB 1 by
query, and a server that cannot is named with what stays there."""

from __future__ import annotations

import json
import logging
import urllib.parse
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.config.load import InfluxOptions
from logger.forward.influx import InfluxForwarder
from logger.store.line_protocol import delete_predicate, delete_statement
from logger.store.outbox import Outbox
from logger.store.tables import ALARMS, FORWARDED
from logger.store.writer import StoreWriter
from tests.line_server import Reply, all_passed_on, line_server, passed_on
from tests.old_stores import old_store
from tests.servers import Server, http, influxd, victoria_metrics
from tests.test_forwarder import drain, exported, fill, options
from tests.test_recompute_raw import Case, derive
from tests.test_store import ALWAYS, SECOND, T0, alarm, transmission

pytestmark = pytest.mark.realtime

STATION = 'O\'Brien \\ "harbour"'  # what quoting has to get right


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    with closing(StoreWriter.open(tmp_path / "station.sqlite")) as opened:
        yield opened


def remove(store: StoreWriter, first: int, past: int) -> None:
    """Transmissions as `fill` writes them, with their seconds."""
    with store.database.transaction():
        for number in range(first, past):
            start_ns = T0 + number * 10 * SECOND
            store.database.execute(
                "DELETE FROM seconds WHERE time_ns BETWEEN ? AND ?", (start_ns, start_ns + SECOND)
            )
            store.database.execute("DELETE FROM transmissions WHERE start_ns = ?", (start_ns,))


def kept(server: Server, measurement: str, field: str) -> list[tuple[str, int, float]]:
    """What InfluxDB 1 holds: channel, time, value."""
    text = f'SELECT "{field}" FROM "{measurement}" GROUP BY *'
    asked = urllib.parse.urlencode({"db": "t", "q": text, "epoch": "ns"})
    (result,) = json.loads(http(f"{server.url}/query?{asked}"))["results"]
    return sorted(
        (series["tags"].get("channel", ""), at, value)
        for series in result.get("series", ())
        for at, value in series["values"]
    )


def held(store: StoreWriter, measurement: str, field: str) -> list[tuple[str, int, float]]:
    """The same of the store."""
    (table,) = (each for each in FORWARDED if each.measurement == measurement)
    records = {
        (record.time_ns, record.columns.get("kind")): record
        for record in store.records(table, *ALWAYS)
    }
    return sorted(
        (str(record.channel or ""), record.time_ns, record.columns[field])
        for record in records.values()
        if record.columns[field] is not None
    )


def test_influxdb_1_holds_what_the_store_holds(tmp_path: Path, store: StoreWriter) -> None:
    with influxd(tmp_path) as server, line_server() as front:
        front.rule = passed_on(f"{server.url}/write?db=t&precision=ns")
        front.others = all_passed_on(server.url)
        chosen = InfluxOptions(url=front.url, org="home", bucket="t")
        with closing(InfluxForwarder(store.path, chosen, STATION, {})) as forwarder:

            def same() -> None:
                drain(forwarder)
                assert forwarder.status().backlog == 0
                assert not forwarder.status().failing
                for measurement, field in (("transmission", "energy_j"), ("second", "samples")):
                    assert kept(server, measurement, field) == held(store, measurement, field)

            fill(store, 0, 120)
            same()
            remove(store, 20, 100)
            same()
            assert len(kept(server, "second", "samples")) == 80
            # Deleted and there again before it was delivered, and under another channel.
            remove(store, 5, 7)
            fill(store, 5, 6)
            store.write([transmission(T0 + 100 * SECOND, channel=3)])
            store.write([transmission(T0 + 1010 * SECOND, channel=7)])
            same()
            assert ("7", T0 + 1010 * SECOND, 101.0) in kept(server, "second", "samples")
            # While it is down nothing is forgotten.
            server.stop()
            remove(store, 0, 4)
            assert forwarder.step() == 0
            assert forwarder.status().backlog == 12
            server.start()
        # Also not over a new start.
        with closing(InfluxForwarder(store.path, chosen, STATION, {})) as forwarder:
            same()


def test_recomputing_brings_influxdb_1_into_line(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    case = Case(tmp_path_factory.mktemp("case"))
    path = case.play(case.rules(limit=200), case.right)
    with influxd(tmp_path) as server, line_server() as front:
        front.rule = passed_on(f"{server.url}/write?db=t&precision=ns")
        front.others = all_passed_on(server.url)
        chosen = InfluxOptions(url=front.url, org="home", bucket="t")
        counts = []
        for config in (
            case.rules(limit=200),
            case.config,  # alarms are added in hindsight,
            case.rules(limit=200, min_forward_w=0.4, hang_ms=300),  # and go, with transmissions
        ):
            derive(path, config, case.right)
            with closing(InfluxForwarder(path, chosen, "here", {})) as forwarder:
                drain(forwarder)
                assert forwarder.status().backlog == 0
            with closing(StoreWriter.open(path)) as opened:
                for measurement, field in (
                    ("transmission", "energy_j"),
                    ("second", "forward_w"),
                    ("alarm", "limit"),
                ):
                    there = kept(server, measurement, field)
                    assert there == held(opened, measurement, field), measurement
            counts.append(len(there))
        assert counts[1] > counts[0] == counts[2]


def test_influxdb_2_is_asked_by_measurement_station_and_time(store: StoreWriter) -> None:
    asked: list[tuple[str, dict[str, str]]] = []

    def others(path: str, body: bytes) -> Reply:
        asked.append((path, json.loads(body)))
        return Reply()

    with line_server() as server:
        server.others = others
        with closing(InfluxForwarder(store.path, options(server.url), 'a "b"', {})) as forwarder:
            fill(store, 0, 5)
            drain(forwarder)
            sent = len(server.lines)
            remove(store, 1, 3)
            drain(forwarder)
            assert len(server.lines) == sent  # what stayed was not sent again
    assert {path for path, _ in asked} == {"/api/v2/delete?org=home&bucket=station"}
    predicate = f'_measurement="{{}}" AND station_id="{store.station_id}"'
    # Neighbours in one go, up to rows that stay.
    assert [body for _, body in asked] == [
        {
            "predicate": predicate.format("transmission"),
            "start": "2026-03-01T19:00:15.123456000Z",
            "stop": "2026-03-01T19:00:25.123456001Z",
        },
        {
            "predicate": predicate.format("second"),
            "start": "2026-03-01T19:00:15.123456000Z",
            "stop": "2026-03-01T19:00:26.123456001Z",
        },
    ]


def test_a_server_that_cannot_delete_is_named_once_with_what_stays(
    tmp_path: Path, store: StoreWriter, caplog: pytest.LogCaptureFixture
) -> None:
    with (
        victoria_metrics(tmp_path) as server,
        closing(InfluxForwarder(store.path, options(server.url), "here", {})) as forwarder,
        caplog.at_level(logging.WARNING),
    ):
        fill(store, 0, 300)
        drain(forwarder)
        remove(store, 0, 250)
        drain(forwarder)
        drain(forwarder)
        status = forwarder.status()
    (said,) = (record.getMessage() for record in caplog.records)
    assert "cannot delete points" in said
    assert "250 of transmission (2026-03-01T19:00:05.123456Z to " in said
    assert "500 of second" in said
    assert status.backlog == 0
    assert status.last_error in said
    assert not status.failing


def test_what_goes_wrong_with_deleting_keeps_no_rows_back(store: StoreWriter) -> None:
    now_s = [0.0]
    answers = [Reply(500, b"out of order"), Reply(401, b'{"message": "read only"}'), Reply()]
    with line_server() as server:
        server.others = lambda path, body: answers[0]
        forwarder = InfluxForwarder(
            store.path, options(server.url), "here", {}, clock=lambda: now_s[0]
        )
        with closing(forwarder):
            fill(store, 0, 5)
            drain(forwarder)
            remove(store, 1, 2)
            for number, reason in enumerate(("500", "401")):
                fill(store, 5 + number, 6 + number)
                sent = len(server.lines)
                drain(forwarder)
                assert len(server.lines) == sent + 3
                assert forwarder.status().failing
                assert reason in forwarder.status().last_error
                assert forwarder.status().backlog == 3
                answers.pop(0)
                now_s[0] += 61
            drain(forwarder)
            assert not forwarder.status().failing
            assert forwarder.status().backlog == 0


def test_what_waits_is_bounded_and_passed_by_all(store: StoreWriter) -> None:
    with closing(Outbox.editor(store.path)) as outbox:
        for name in ("a", "b"):
            outbox.begin(name)
        fill(store, 0, 5)
        remove(store, 0, 5)
        assert outbox.retractions_waiting("a") == outbox.retractions_waiting("b") == 15
        assert outbox.retractions("a", 100).lost == 0
        outbox.retracted("a", 15)
        assert outbox.retractions("a", 100).spans == []
        assert len(outbox.retractions("b", 100).spans) == 2  # nothing lies in between
        outbox.retracted("b", 15)
        count = "SELECT count(*), max(id) FROM retractions"
        assert store.database.query_row(count) == (1, 15)  # the number is remembered
        store.database.execute(
            "INSERT INTO retractions (id, followed, time_ns) VALUES (2000000, 'seconds', 1)"
        )
        assert store.database.query_row(count) == (1, 2_000_000)
        assert outbox.retractions("a", 100).lost == 2_000_000 - 16
        outbox.begin("new")  # has delivered nothing
        assert outbox.retractions_waiting("new") == 0


def test_health_that_is_too_old_is_no_retraction(store: StoreWriter) -> None:
    with closing(Outbox.editor(store.path)) as outbox:
        outbox.begin("a")
        store.write([alarm("raised", T0)])
        store.database.execute("DELETE FROM health")
        assert outbox.retractions_waiting("a") == 0


def test_alarms_of_one_moment_are_points_of_their_own(tmp_path: Path, store: StoreWriter) -> None:
    store.write([alarm("raised", T0), alarm("raised", T0, kind="high-reflected-power")])
    with (
        victoria_metrics(tmp_path) as server,
        closing(InfluxForwarder(store.path, options(server.url), "here", {})) as forwarder,
    ):
        drain(forwarder)
        assert len(exported(server)["alarm_value"]) == 2


def test_alarms_delivered_without_a_rule_are_delivered_anew(tmp_path: Path) -> None:
    """By a program of version 2; what it left at the server goes."""
    path = old_store(tmp_path / "old.sqlite", 2)
    with influxd(tmp_path) as server, line_server() as front:
        front.rule = passed_on(f"{server.url}/write?db=t&precision=ns")
        front.others = all_passed_on(server.url)
        with closing(StoreWriter.open(path)) as opened:
            times_ns = [record.time_ns for record in opened.records(ALARMS, *ALWAYS)]
            old = [f"alarm,channel=20,station=here limit=3.0 {at}" for at in times_ns]
            http(f"{server.url}/write?db=t&precision=ns", "\n".join(old).encode())
            chosen = InfluxOptions(name="influxdb", url=front.url, org="home", bucket="t")
            with closing(InfluxForwarder(path, chosen, "here", {})) as forwarder:
                drain(forwarder)
            assert kept(server, "alarm", "limit") == held(opened, "alarm", "limit")
    assert len(times_ns) == 3
    assert all("rule=high-swr" in text for text in front.lines if text.startswith("alarm"))


def test_quoting() -> None:
    old = delete_predicate("second", 'a\\b"', "")
    assert old == '_measurement="second" AND station="a\\\\b\\""'
    assert delete_predicate("second", "a", "3f2b") == '_measurement="second" AND station_id="3f2b"'
    assert delete_statement("second", "a'b\\", "", 1, 2) == (
        'DELETE FROM "second" WHERE "station" = \'a\\\'b\' AND "station_id" = \'\''
        " AND time >= 1 AND time <= 2"
    )
    assert delete_statement("second", "a", "3f2b", 1, 2) == (
        'DELETE FROM "second" WHERE "station_id" = \'3f2b\' AND time >= 1 AND time <= 2'
    )
