"""How the daemon fares: counted by the minute, stored, exported, forwarded, and for scrapers."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import re
import socket
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from drivers.timeline import Clocks, host_ns, synchronised
from logger.calibration.coupler import Coupler
from logger.cli.station import calibration_of
from logger.config.load import MetricsOptions, load
from logger.daemon import Daemon
from logger.forward.influx import InfluxForwarder
from logger.rows import Health
from logger.service.health import CaptureTotals, HealthGauge, next_row_s
from logger.service.metrics import MetricsServer
from logger.service.openmetrics import CONTENT_TYPE, Family, Sample, exposition
from logger.store import writer
from logger.store.reader import Store
from logger.store.tables import HEALTH
from logger.store.writer import StoreWriter
from tests.deadlines import Deadline
from tests.old_stores import old_store
from tests.servers import free_port, http, victoria_metrics
from tests.station import Running, line, mismatchd, pty, write_config
from tests.test_archive import schema_of
from tests.test_forwarder import drain, options
from tests.test_forwarder import exported as exported_series
from tests.test_status import STATUS
from tests.test_store import ALWAYS, T0

TESTS = Path(__file__).parent
MINUTE_NS = 60_000_000_000


def health(number: int = 0) -> Health:
    return Health(
        time_ns=T0 + number * MINUTE_NS,
        duration_s=60.0001,
        pairs=6000 + number,
        pairs_per_s=99.9998333,
        gaps=0,
        input_dropped=2,
        queue_max=3,
        rows_dropped=0,
        commits=60,
        commit_ms_mean=1.25,
        commit_ms_max=8.0,
        commits_failed=0,
        clock_synchronised=True,
        clock_step_ms=0.02,
        forwarder_backlog=None,
    )


# the gauge

EVENTS = st.lists(
    st.one_of(
        st.tuples(st.just("commit"), st.floats(0, 10)),
        st.tuples(st.just("fail"), st.none()),
        st.tuples(st.just("queue"), st.integers(0, 4096)),
        st.tuples(st.just("row"), st.integers(1, 200_000_000_000)),
    ),
    max_size=50,
)


@given(EVENTS)
def test_rows_add_up_to_what_happened(events: list[tuple[str, float]]) -> None:
    gauge = HealthGauge(Clocks(5, T0))
    rows, totals, now = [], CaptureTotals(), Clocks(5, T0)
    for name, value in [*events, ("row", MINUTE_NS)]:
        if name == "commit":
            gauge.committed(value)
        elif name == "fail":
            gauge.failed()
        elif name == "queue":
            gauge.queued(int(value))
        else:
            totals = CaptureTotals(*(count + place for place, count in enumerate(totals, 1)))
            now = Clocks(now.host_ns + int(value), now.wall_ns + int(value))
            rows.append(gauge.row(now, totals, None, 7))
    of = {kind: [value for name, value in events if name == kind] for kind in ("commit", "queue")}
    assert sum(row.commits for row in rows) == len(of["commit"]) == gauge.commits
    assert sum(row.commits_failed for row in rows) == sum(name == "fail" for name, _ in events)
    assert max(row.queue_max for row in rows) == max(of["queue"], default=0)
    longest = [row.commit_ms_max for row in rows if row.commit_ms_max is not None]
    assert max(longest, default=0) == pytest.approx(1e3 * max(of["commit"], default=0))
    spent = sum((row.commit_ms_mean or 0) * row.commits for row in rows)
    assert spent == pytest.approx(1e3 * sum(of["commit"]))
    for row in rows:
        assert (row.pairs, row.gaps, row.input_dropped, row.rows_dropped) == (1, 2, 3, 4)
        assert row.pairs_per_s == pytest.approx(row.pairs / row.duration_s)
        assert row.clock_step_ms == 0


def test_a_clock_that_is_set_shows_as_a_step_and_sleep_does_not() -> None:
    gauge = HealthGauge(Clocks(0, T0))
    set_back = gauge.row(
        Clocks(MINUTE_NS, T0 + MINUTE_NS - 5_000_000_000), CaptureTotals(), True, None
    )
    assert (set_back.clock_step_ms, set_back.duration_s) == (-5000, 60)
    assert (
        gauge.row(
            Clocks(2 * MINUTE_NS, T0 + 2 * MINUTE_NS - 5_000_000_000), CaptureTotals(), True, None
        ).clock_step_ms
        == 0
    )


def test_the_host_tells_of_its_clock() -> None:
    assert synchronised() in (True, False, None)
    before = host_ns()
    assert host_ns() >= before >= time.monotonic_ns() - 1_000_000


# the store


def test_rows_come_back_in_every_format(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/null")
    store = StoreWriter.open(tmp_path / "data/station.sqlite")
    store.write([health(0), health(1)])
    store.close()
    rows = list(csv.DictReader(io.StringIO(mismatchd("export", "health", "-c", config).stdout)))
    assert [row["pairs"] for row in rows] == ["6000", "6001"]
    assert rows[0]["time_utc"] == "2026-03-01T19:00:05.123456Z"
    assert (rows[0]["clock_synchronised"], rows[0]["forwarder_backlog"]) == ("1", "")
    (first, _) = mismatchd(
        "export", "health", "--format", "jsonl", "-c", config
    ).stdout.splitlines()
    assert json.loads(first)["commit_ms_max"] == 8.0
    lines = mismatchd("export", "health", "--format", "line-protocol", "-c", config).stdout
    lines = re.sub(",station_id=[0-9a-f-]{36} ", " ", lines)
    assert lines.startswith('health,station=test-station time_utc="2026-03-01T19:00:05.123456Z",')
    assert lines.splitlines()[1].endswith(str(T0 + MINUTE_NS))


def test_what_is_older_than_400_days_goes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert writer.MOST_HEALTH_ROWS == 400 * 24 * 60
    monkeypatch.setattr(writer, "MOST_HEALTH_ROWS", 10)
    store = StoreWriter.open(tmp_path / "station.sqlite")
    for number in range(25):
        store.write([health(number)])
    kept = [record.columns["pairs"] for record in store.records(HEALTH, *ALWAYS)]
    assert kept == list(range(6015, 6025))
    store.close()


def test_a_store_of_version_1_is_brought_up_to_date(tmp_path: Path) -> None:
    old = old_store(tmp_path / "old.sqlite", 1)
    store = StoreWriter.open(old)
    before = store.counts()
    assert before["transmissions"] > 0
    store.write([health()])
    assert store.counts() == before
    assert len(list(store.records(HEALTH, *ALWAYS))) == 1
    store.close()
    StoreWriter.open(tmp_path / "new.sqlite").close()
    assert schema_of(old) == schema_of(tmp_path / "new.sqlite")


@pytest.mark.realtime
def test_rows_are_forwarded(tmp_path: Path) -> None:
    store = StoreWriter.open(tmp_path / "station.sqlite")
    store.write([health(number) for number in range(3)])
    with victoria_metrics(tmp_path) as server:
        forwarder = InfluxForwarder(store.path, options(server.url), "here", {})
        drain(forwarder)
        assert forwarder.status().backlog == 0
        forwarder.close()
        series = exported_series(server)
    at = [health(number).time_ns // 1_000_000 for number in range(3)]
    assert series["health_pairs"] == list(zip(at, [6000.0, 6001.0, 6002.0], strict=True))
    assert [value for _, value in series["health_commit_ms_mean"]] == [1.25] * 3
    assert "health_forwarder_backlog" not in series
    store.close()


# the daemon


@given(st.integers(T0, T0 + 10 * MINUTE_NS), st.sampled_from([0.8, 60.0]))
def test_rows_are_due_at_whole_minutes(utc_ns: int, every_s: float) -> None:
    wait_s = next_row_s(utc_ns, every_s)
    assert every_s / 2 <= wait_s <= 1.5 * every_s
    due = (utc_ns / 1e9 + wait_s) / every_s
    assert due == pytest.approx(round(due), abs=1e-5)


def test_the_daemon_stores_a_row_each_time(tmp_path: Path) -> None:
    path = tmp_path / "config.yaml"
    path.write_text(
        "driver: {kind: simulated, pace: realtime, rate_hz: 200, duration_s: 4.5,"
        " station: {antenna: {r_ohm: 42}},"
        " operator: {transmissions:"
        " [{at_s: 0.5, duration_s: 1, mode: fm, channel: 20, power_w: 4}]}}\n"
    )
    config = load(path)
    coupler = Coupler(calibration_of(config), None)
    driver = config.make_driver()
    begun_ns = time.time_ns()
    Daemon(config, coupler, driver, lambda _: None, health_s=0.8).run()
    store = Store.reader(config.store.path)
    rows = [record.columns for record in store.records(HEALTH, *ALWAYS)]
    times = [record.time_ns for record in store.records(HEALTH, *ALWAYS)]
    store.close()
    assert len(rows) >= 2
    assert begun_ns < times[0] < times[-1] < time.time_ns()
    assert rows[0]["pairs_per_s"] == pytest.approx(200, rel=0.3)
    assert all(0.4 <= row["duration_s"] < 2.5 for row in rows)
    assert sum(row["commits"] for row in rows) > 0
    assert max(row["commit_ms_max"] or 0 for row in rows) < 5000
    assert all(abs(row["clock_step_ms"]) < 1000 for row in rows)


# OpenMetrics

TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\r"), max_size=20)


def test_the_published_example_comes_out_as_printed() -> None:
    printed = yaml.safe_load((TESTS / "references/openmetrics.yaml").read_text())
    labels = {"path": "/api/v1", "method": "GET"}
    families = [
        Family(
            "acme_http_router_request_seconds",
            "summary",
            "Latency though all of ACME's HTTP request router.",
            (Sample(9036.32, "_sum", labels), Sample(807283.0, "_count", labels)),
            "seconds",
        ),
        Family(
            "go_goroutines", "gauge", "Number of goroutines that currently exist.", (Sample(69),)
        ),
        Family("nothing_known", "gauge", "Left out.", ()),
        Family(
            "process_cpu_seconds",
            "counter",
            "Total user and system CPU time spent in seconds.",
            (Sample(4200722.46, "_total"),),
            "seconds",
        ),
    ]
    assert exposition(families) == printed["example"]
    assert printed["content_type"] == CONTENT_TYPE


# The parser drops space at the ends of help.
@given(TEXTS.map(str.strip), TEXTS, st.floats())
def test_any_text_and_number_is_read_back_by_the_reference_parser(
    text: str, label: str, value: float
) -> None:
    family = Family("a", "gauge", text, (Sample(value, labels={"b": label}),))
    (read,) = text_string_to_metric_families(exposition([family]))
    assert read.documentation == text
    (sample,) = read.samples
    assert sample.labels == {"b": label}
    assert sample.value == value or (sample.value != sample.value and value != value)


@pytest.mark.realtime
def test_metrics_of_the_real_daemon(tmp_path: Path) -> None:
    port = free_port()
    with pty() as (master, name):
        config = write_config(
            tmp_path,
            name,
            metrics=f"{{listen: '127.0.0.1:{port}'}}",
            influxdb="{url: 'http://127.0.0.1:9', org: a, bucket: b}",
        )
        daemon = Running(config)
        try:
            deadline = Deadline(15)
            metrics: dict[str, float] = {}

            def send(power_w: float, awaited: str, least: float) -> None:
                while metrics.get(awaited, 0.0) < least and not deadline.has_passed():
                    os.write(master, line(power_w, power_w / 100) + b"nonsense\n")
                    time.sleep(0.01)
                    with contextlib.suppress(urllib.error.URLError):
                        metrics.update(scrape(port))

            send(4.0, "mismatchd_pairs_total", 100)
            send(0.0, "mismatchd_commit_seconds_count", 1)  # at the end of a transmission
            send(4.0, "mismatchd_keyed", 1)
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics") as answer:
                assert answer.headers["Content-Type"] == CONTENT_TYPE
            with pytest.raises(urllib.error.HTTPError) as other:
                urllib.request.urlopen(f"http://127.0.0.1:{port}/")
            other.value.close()
            # A client that says nothing does not keep the daemon from its work or its end.
            with socket.create_connection(("127.0.0.1", port)):
                code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0, said
    assert other.value.code == 404
    assert metrics["mismatchd_build_info"] == 1
    assert metrics["mismatchd_keyed"] == 1
    assert metrics["mismatchd_input_total"] > 0
    assert metrics["mismatchd_commit_seconds_count"] >= 1
    assert 0 < metrics["mismatchd_commit_seconds_sum"] < 5
    assert metrics["mismatchd_store_failing"] == 0
    assert time.time() - metrics["mismatchd_last_pair_timestamp_seconds"] < 30
    assert "mismatchd_forwarder_backlog_rows" in metrics


def scrape(port: int) -> dict[str, float]:
    """Samples by name; of several with the same name the largest."""
    text = http(f"http://127.0.0.1:{port}/metrics").decode()
    samples: dict[str, float] = {}
    for family in text_string_to_metric_families(text):
        assert family.documentation
        for sample in family.samples:
            samples[sample.name] = max(sample.value, samples.get(sample.name, sample.value))
    return samples


@pytest.mark.realtime
def test_an_address_that_is_taken_is_told_and_the_watch_goes_on(
    caplog: pytest.LogCaptureFixture,
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        server = MetricsServer(
            MetricsOptions(listen=f"127.0.0.1:{port}"), lambda: STATUS, Path("none.sqlite")
        )
        server.close()
    (record,) = caplog.records
    assert f"cannot listen on 127.0.0.1:{port}: Address already in use" in record.getMessage()


@pytest.mark.realtime
def test_the_server_ends_when_it_is_closed() -> None:
    port = free_port()
    server = MetricsServer(
        MetricsOptions(listen=f"127.0.0.1:{port}"), lambda: STATUS, Path("none.sqlite")
    )
    before = threading.active_count()
    server.close()
    assert threading.active_count() == before - 1
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port))
