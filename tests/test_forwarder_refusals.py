"""What servers answer instead of taking rows: kept, set aside, said once, or tried again."""

from __future__ import annotations

import logging
import threading
import time
import urllib.parse
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config.load import InfluxOptions
from logger.forward import influx, server
from logger.forward.answers import RowFault, ServerError, Target, judge
from logger.forward.influx import InfluxForwarder
from logger.live.status_lines import describe_forwarder
from logger.outlets import pacing as pace
from logger.outlets.pacing import Backoff, BatchSize
from logger.outlets.responses import retry_after
from logger.store.writer import StoreWriter
from tests.deadlines import scale, wait_until
from tests.line_server import TAKEN, LineServer, Reply, Rule, line_server, passed_on, refusing
from tests.servers import free_port, http, influxd, victoria_metrics
from tests.test_forwarder import drain, exported, fill, query
from tests.test_store import SECOND, T0, alarm, second, transmission

pytestmark = pytest.mark.realtime

TARGET = Target("http://a:8086", "home", "station", "$INFLUX_TOKEN and restart")
NOW = datetime(2026, 3, 1, 19, 0, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    with closing(StoreWriter.open(tmp_path / "station.sqlite")) as opened:
        yield opened


@pytest.fixture
def lines() -> Iterator[LineServer]:
    with line_server() as opened:
        yield opened


def forwarder_to(store: StoreWriter, url: str, **more: object) -> InfluxForwarder:
    options = InfluxOptions(url=url, org="home", bucket="station")
    return InfluxForwarder(store.path, options, "here", {"INFLUX_TOKEN": "open sesame"}, **more)


def rule_for(wrong: str, reply: Reply) -> Rule:
    """A rule that refuses a request in which `wrong` stands."""
    return lambda lines: reply if any(wrong in text for text in lines) else TAKEN


# pure


@pytest.mark.parametrize(
    ("status", "body", "said"),
    [
        (401, '{"code":"unauthorized","message":"unauthorized access"}', "$INFLUX_TOKEN and rest"),
        (403, '{"code":"forbidden"}', "a token that may write to bucket station"),
        (404, '{"code":"not found","message":"bucket not found"}', "create bucket station in"),
        (500, "", "http://a:8086 answers 500"),
        (400, "<html>plain HTTP request sent to HTTPS port</html>", "HTTPS port"),
        (400, 'unsupported path requested: "/api/v2/write"', "unsupported path"),
        (302, "elsewhere", "answers 302 (elsewhere)"),
    ],
)
def test_what_speaks_of_the_server(status: int, body: str, said: str) -> None:
    with pytest.raises(ServerError) as caught:
        judge(TARGET, status, {}, body, NOW)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("status", "body", "fault"),
    [
        (400, '{"code":"invalid","message":"unable to parse"}', RowFault.BAD),
        (400, '{"error":"partial write: field type conflict"}', RowFault.BAD),
        (422, '{"message":"partial write: points beyond retention policy"}', RowFault.TOO_OLD),
        (400, "cannot read influx line protocol data: too long line: more than 9", RowFault.BAD),
        (413, "<html>Request Entity Too Large</html>", RowFault.TOO_MUCH),
    ],
)
def test_what_speaks_of_the_rows(status: int, body: str, fault: RowFault) -> None:
    assert judge(TARGET, status, {}, body, NOW).fault is fault


@pytest.mark.parametrize(
    ("header", "seconds"),
    [
        (None, 0),
        ("7", 7),
        ("-3", 0),
        ("1e9", 3600),
        ("nan", 0),
        ("Sun, 01 Mar 2026 19:02:00 GMT", 120),
        ("Sun, 01 Mar 2026 18:00:00 GMT", 0),
        ("soon", 0),
    ],
)
def test_how_long_a_server_asks_to_wait(header: str | None, seconds: float) -> None:
    assert retry_after(header, NOW) == seconds


@given(st.integers(0, 2**32), st.floats(0, 100))
def test_waits_grow_from_a_second_to_a_minute(seed: int, asked_s: float) -> None:
    backoff, again = Backoff(Random(seed)), Backoff(Random(seed))
    waits = [backoff.next_s() for _ in range(40)]
    assert waits == [again.next_s() for _ in range(40)]
    assert 1.0 <= min(waits) <= 2.0
    assert 30.0 <= waits[-1] <= max(waits) <= 60.0
    assert backoff.next_s(asked_s) >= asked_s
    backoff.reset()
    assert backoff.next_s() <= 2.0


@given(st.lists(st.sampled_from(["taken", "slow", "halve", "limit"]), max_size=60))
def test_batches_stay_within_what_the_server_takes(answers: list[str]) -> None:
    size = BatchSize(5000)
    most = 5000
    for answer in answers:
        sent = size.rows
        if answer == "taken":
            size.adapt(sent, 0.1)
        elif answer == "slow":
            size.adapt(sent, 9.0)
        elif answer == "halve":
            size.halve(sent)
        else:
            size.limit(sent)
            most = max(1, sent // 2)
        assert 1 <= size.rows <= most
    for _ in range(13):
        size.adapt(size.rows, 0.1)
    assert size.rows == most


# rows


def test_a_real_type_conflict_sets_the_bad_row_aside(tmp_path: Path, store: StoreWriter) -> None:
    """InfluxDB itself refuses, behind a proxy as its version speaks /write only."""
    with influxd(tmp_path) as database, line_server() as lines:
        lines.rule = passed_on(f"{database.url}/write?db=t&precision=ns")
        fill(store, 0, 700)
        # A day of its own, where another program had written text into the field.
        bad_ns = T0 - 40 * 86400 * SECOND
        http(
            f"{database.url}/write?db=t&precision=ns",
            f'transmission,station=here,channel=20 energy_j="much" {bad_ns - 1}'.encode(),
        )
        store.write([transmission(bad_ns)])
        fill(store, 700, 720)
        with closing(forwarder_to(store, lines.url)) as forwarder:
            drain(forwarder)
            status = forwarder.status()
        assert query(database, "SELECT count(samples) FROM second")[0][1] == 1440
        assert query(database, "SELECT count(samples) FROM transmission")[0][1] == 720
    assert status.refused == 1
    assert status.backlog == 0
    assert not status.failing
    (named,) = status.refused_rows
    assert (named.table, named.id) == ("transmissions", 701)
    assert "field type conflict" in named.reason
    assert len(lines.requests) < 80
    shown = [text for _, text in describe_forwarder(status)]
    assert shown[0].startswith(f"{lines.url} home/station: 0 rows waiting; rows last accepted 20")
    assert shown[1] == "1 refused and skipped, the latest:"
    assert shown[2].startswith("transmissions 701 of 2026-01-20T19:00:05Z: partial write")


def test_rows_older_than_the_bucket_keeps_are_passed_over(
    tmp_path: Path, store: StoreWriter
) -> None:
    now_ns = time.time_ns() // SECOND * SECOND
    with influxd(tmp_path) as database, line_server() as lines:
        keep = urllib.parse.quote(
            "ALTER RETENTION POLICY autogen ON t DURATION 1h SHARD DURATION 1h"
        )
        http(f"{database.url}/query?q={keep}", b"")
        lines.rule = passed_on(f"{database.url}/write?db=t&precision=ns")
        start_ns = now_ns - 30 * 86400 * SECOND
        store.write([transmission(start_ns)])
        store.write([second(start_ns + k * SECOND, start_ns) for k in range(7000)])
        fresh = [now_ns - (100 - k) * SECOND for k in range(100)]
        store.write([transmission(fresh[0]), *(second(at, fresh[0]) for at in fresh)])
        with closing(forwarder_to(store, lines.url)) as forwarder:
            drain(forwarder)
            status = forwarder.status()
        assert query(database, "SELECT count(samples) FROM second")[0][1] == 100
        assert query(database, "SELECT count(samples) FROM transmission")[0][1] == 1
    assert status.refused == 7001
    assert status.backlog == 0
    assert "retention" in status.refused_rows[0].reason
    assert len(lines.requests) < 60


def test_a_line_too_long_for_victoria_metrics_is_set_aside(
    tmp_path: Path, store: StoreWriter
) -> None:
    with victoria_metrics(tmp_path, "-influx.maxLineSize=2000") as metrics:
        fill(store, 0, 100)
        store.write([transmission(T0 + 9999 * SECOND, calibration_id="x" * 200_000)])
        fill(store, 100, 110)
        with closing(forwarder_to(store, metrics.url)) as forwarder:
            drain(forwarder)
            status = forwarder.status()
        series = exported(metrics)
    assert len(series["second_samples"]) == 220
    assert len(set(series["transmission_energy_j"])) == 110
    assert (status.refused, status.refused_rows[0].id) == (1, 101)


def test_a_table_refused_as_a_whole_waits_while_others_go_on(
    store: StoreWriter, lines: LineServer, caplog: pytest.LogCaptureFixture
) -> None:
    """The field has another type at the server: nothing of the table is set aside."""
    now_s = [0.0]
    conflict = Reply(400, b'{"code": "invalid", "message": "partial write: type conflict"}')
    lines.rule = rule_for("second,", conflict)
    fill(store, 0, 600)
    with closing(forwarder_to(store, lines.url, clock=lambda: now_s[0])) as forwarder:
        drain(forwarder)
        status = forwarder.status()
        assert status.refused == 0
        assert status.backlog == 1200
        assert status.failing
        assert "refuses every row of seconds (partial write: type conflict): check its limits" in (
            status.last_error
        )
        assert len({text for text in lines.lines if text.startswith("transmission,")}) == 600
        before = len(lines.requests)
        fill(store, 600, 610)
        for _ in range(100):
            forwarder.step()
            now_s[0] += 0.25
        assert len(lines.requests) - before < 20
        lines.rule = lambda lines: TAKEN
        now_s[0] += 60
        drain(forwarder)
        status = forwarder.status()
        assert (status.backlog, status.failing) == (0, False)
    assert len({text for text in lines.lines if text.startswith("second,")}) == 1220
    said = [record.getMessage() for record in caplog.records if record.name == "mismatchd.forward"]
    assert len([text for text in said if "refuses every row" in text]) == 1


def test_many_bad_rows_in_a_row_are_set_aside_while_others_are_taken(
    store: StoreWriter, lines: LineServer, caplog: pytest.LogCaptureFixture
) -> None:
    reply = Reply(400, b'{"code": "invalid", "message": "unable to parse at 17"}')
    lines.rule = rule_for("samples=13.0", reply)
    fill(store, 0, 300)
    start_ns = T0 + 5000 * SECOND
    store.write([transmission(start_ns)])
    store.write([second(start_ns + k * SECOND, start_ns, samples=13) for k in range(50)])
    fill(store, 600, 700)
    with closing(forwarder_to(store, lines.url)) as forwarder:
        drain(forwarder)
        status = forwarder.status()
    assert status.refused == 52  # two are of the 13th that `fill` wrote
    assert status.backlog == 0
    assert len({text for text in lines.lines if text.startswith("second,")}) == 798
    assert len([record for record in caplog.records if "set aside" in record.getMessage()]) == 1


def test_a_request_too_large_is_halved_once_for_all(store: StoreWriter, lines: LineServer) -> None:
    lines.rule = lambda texts: Reply(413, b"too large") if len(texts) > 300 else TAKEN
    fill(store, 0, 2000)
    with closing(forwarder_to(store, lines.url)) as forwarder:
        drain(forwarder)
        assert forwarder.status().refused == 0
    assert len(set(lines.lines)) == 6000
    assert len([count for _, count, _ in lines.requests if count > 300]) <= 10


def test_a_row_too_large_by_itself_is_set_aside(store: StoreWriter, lines: LineServer) -> None:
    lines.rule = lambda texts: Reply(413) if sum(map(len, texts)) > 600 else TAKEN
    store.write([transmission(), second(T0), transmission(T0 + SECOND, calibration_id="x" * 500)])
    with closing(forwarder_to(store, lines.url)) as forwarder:
        drain(forwarder)
        status = forwarder.status()
    assert (status.refused, status.backlog) == (1, 0)
    assert "too large" in status.refused_rows[0].reason
    assert len(set(lines.lines)) == 2


def test_a_limit_below_any_row_sets_nothing_aside(store: StoreWriter, lines: LineServer) -> None:
    lines.rule = refusing(413)
    fill(store, 0, 30)
    with closing(forwarder_to(store, lines.url)) as forwarder:
        drain(forwarder)
        status = forwarder.status()
    assert (status.refused, status.backlog, status.failing) == (0, 90, True)


# the server as a whole


def running(forwarder: InfluxForwarder, stop: threading.Event) -> threading.Thread:
    thread = threading.Thread(target=forwarder.run, args=(stop,))
    thread.start()
    return thread


def until(condition: Callable[[], object], seconds: float = 15.0) -> None:
    assert wait_until(condition, seconds), "it does not happen"


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        (
            refusing(401, b'{"code":"unauthorized","message":"unauthorized access"}'),
            "$INFLUX_TOKEN",
        ),
        (refusing(404, b'{"code":"not found","message":"no such"}'), "create bucket station"),
        (refusing(503, b"busy"), "answers 503 (busy)"),
        (lambda texts: Reply(hang_up=True), "cannot be reached"),
    ],
)
def test_what_keeps_all_rows_back_is_said_once_and_gets_over(
    store: StoreWriter,
    lines: LineServer,
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
    rule: Rule,
    said: str,
) -> None:
    monkeypatch.setattr(pace, "FIRST_S", 0.05)
    caplog.set_level(logging.INFO, "mismatchd.forward")
    lines.rule = rule
    fill(store, 0, 50)
    forwarder = forwarder_to(store, lines.url, random=Random(3))
    stop = threading.Event()
    thread = running(forwarder, stop)
    try:
        until(lambda: len(lines.requests) >= 3)
        status = forwarder.status()
        assert status.failing
        assert status.backlog == 150
        assert said in status.last_error
        assert "open sesame" not in status.last_error
        assert status.last_success_utc is None
        lines.rule = lambda texts: TAKEN
        until(lambda: forwarder.status().backlog == 0)
    finally:
        stop.set()
        thread.join(scale(10))
    status = forwarder.status()
    assert not status.failing
    assert said in status.last_error  # it stays to be seen, with its time
    assert status.last_success_utc > status.last_error_utc
    assert len(set(lines.lines)) == len(lines.lines) == 150
    assert status.refused == 0
    assert lines.tokens == {"Token open sesame"}
    told = [record for record in caplog.records if record.name == "mismatchd.forward"]
    assert [record.levelname for record in told] == ["WARNING", "INFO"]


def test_a_server_that_asks_for_time_gets_it(store: StoreWriter, lines: LineServer) -> None:
    lines.rule = refusing(429, b'{"message":"slow down"}', Retry_After="3")
    fill(store, 0, 5)
    forwarder = forwarder_to(store, lines.url)
    stop = threading.Event()
    thread = running(forwarder, stop)
    try:
        until(lambda: lines.requests)
        lines.rule = lambda texts: TAKEN
        until(lambda: len(lines.requests) > 1)
    finally:
        stop.set()
        thread.join(scale(10))
    first, then = lines.requests[0][0], lines.requests[1][0]
    assert 4.0 <= then - first <= 5.5  # the three seconds, then the wait of a first failure
    assert "slow down" in forwarder.status().last_error


def test_a_server_too_slow_for_large_batches_gets_smaller_ones(
    store: StoreWriter, lines: LineServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "LIMIT_S", 0.3)

    over = threading.Event()

    def slow(texts: list[str]) -> Reply:
        if len(texts) > 250:
            over.wait()
        return TAKEN

    lines.rule = slow
    fill(store, 0, 300)
    failures: list[str] = []
    with closing(forwarder_to(store, lines.url)) as forwarder:
        while len(failures) < 20:
            try:
                if not forwarder.step():
                    break
            except ServerError as error:
                failures.append(str(error))
    over.set()
    assert 1 <= len(failures) <= 8
    assert all("did not answer within 0.3 s" in text for text in failures)
    assert len(set(lines.lines)) == 900


def test_a_dead_server_holds_up_no_other(
    tmp_path: Path, store: StoreWriter, lines: LineServer
) -> None:
    options = [
        InfluxOptions(url=f"http://127.0.0.1:{free_port()}", org="home", bucket="station"),
        InfluxOptions(url=lines.url, org="home", bucket="station"),
    ]
    made = influx.build_forwarders(store.path, options, "here", {})
    stop = threading.Event()
    threads = [running(forwarder, stop) for forwarder in made]
    try:
        fill(store, 0, 5)
        until(lambda: len(lines.lines) == 15)
        # the dead one counts what waits at each attempt: after the last row, not the first
        until(lambda: made[0].status().failing and made[0].status().backlog == 15)
        dead, alive = (forwarder.status() for forwarder in made)
    finally:
        stop.set()
        for thread in threads:
            thread.join(scale(10))
    assert "Connection refused" in dead.last_error
    assert not alive.failing


def test_alarms_go_out_first(store: StoreWriter, lines: LineServer) -> None:
    fill(store, 0, 1000)
    store.write([alarm("raised", T0)])
    with closing(forwarder_to(store, lines.url)) as forwarder:
        drain(forwarder)
    order = [texts[0].partition(",")[0] for _, texts in lines.taken]
    assert order[:4] == ["alarm", "transmission", "second", "transmission"]
    assert order[4:] == ["second"]
    tags = f"transmission,station=here,station_id={store.station_id},channel=20"
    assert lines.taken[1][1][-1].startswith(f"{tags} id=1000.0,")
    assert len(lines.taken[1][1]) == influx.LIVE_ROWS
