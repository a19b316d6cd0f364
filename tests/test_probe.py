"""How servers keep points, asked of real ones; what other servers answer is no warning."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from logger.config.load import InfluxOptions
from logger.forward.probe import MONTH_S, TIMEOUT_S, probe, seconds
from logger.store.writer import StoreWriter
from tests.deadlines import in_time, lateness_s
from tests.hostile_peer import Behaviour, drip, endless, hostile_peer
from tests.line_server import Reply, line_server
from tests.servers import free_port, http, influxd, victoria_metrics
from tests.station import mismatchd, write_config
from tests.test_forwarder import options

DOUBLES = "counts a row that is sent again twice; start it with -dedup.minScrapeInterval=1ms"


def test_victoria_metrics_as_installed_doubles_and_forgets(tmp_path: Path) -> None:
    with victoria_metrics(tmp_path, is_as_installed=True) as server:
        assert probe(options(server.url), {}) == [
            DOUBLES,
            "forgets points after 31 days; start it with -retentionPeriod=100y",
        ]
        (tmp_path / "data").mkdir()
        StoreWriter.open(tmp_path / "data/station.sqlite").close()
        config = write_config(
            tmp_path, "/dev/null", influxdb=f"{{url: '{server.url}', org: a, bucket: b}}"
        )
        shown = mismatchd("check", "-c", config).stdout
        assert f"              the server {DOUBLES}\n" in shown
        shown = mismatchd("status", "-c", config, check=False).stdout
        assert "              the server forgets points after 31 days" in shown
        answer = json.loads(mismatchd("status", "--json", "-c", config, check=False).stdout)
        (warnings,) = answer["server_warnings"].values()
        assert warnings[0] == DOUBLES


def test_victoria_metrics_with_flags_needs_no_warning(tmp_path: Path) -> None:
    with victoria_metrics(tmp_path) as server:
        assert probe(options(server.url), {}) == []


def test_influxdb_1_is_asked_for_its_policy(tmp_path: Path) -> None:
    with influxd(tmp_path) as server:
        chosen = InfluxOptions(url=server.url, org="home", bucket="t")
        assert probe(chosen, {}) == []
        change = "/query?q=ALTER+RETENTION+POLICY+autogen+ON+t+DURATION+7d"
        http(server.url + change, b"")
        forgets = ["forgets points after 7 days; lengthen the retention of the bucket"]
        assert probe(chosen, {}) == forgets
        assert probe(InfluxOptions(url=server.url, org="home", bucket="t/autogen"), {}) == forgets
        assert probe(InfluxOptions(url=server.url, org="home", bucket="none"), {}) == []


@pytest.mark.parametrize(
    ("rules", "warnings"),
    [
        ([], []),
        ([{"type": "expire", "everySeconds": 0}], []),
        (
            [{"type": "expire", "everySeconds": 2_592_000}],
            ["forgets points after 30 days; lengthen the retention of the bucket"],
        ),
        ("nonsense", []),
    ],
)
def test_influxdb_2_is_asked_for_its_bucket(rules: object, warnings: list[str]) -> None:
    """Not run here: the answer is that of its documentation."""
    with line_server() as server:
        buckets = json.dumps({"buckets": [{"retentionRules": rules}]}).encode()

        server.others = lambda path, body: (
            Reply(200, buckets)
            if path == "/api/v2/buckets?name=station&org=home"
            else Reply(404, b"404 page not found")
        )
        assert probe(options(server.url), {"INFLUX_TOKEN": "secret"}) == warnings


def test_a_server_that_is_away_gets_no_warning() -> None:
    assert probe(options(f"http://127.0.0.1:{free_port()}"), {}) == []


@pytest.mark.parametrize(
    "behave",
    [drip(b""), drip(b"HTTP/1.1 200 OK\r\n\r\n"), endless(b"HTTP/1.1 200 OK\r\n\r\n", b"x")],
)
def test_a_server_that_never_ends_its_answer_is_not_waited_for(behave: Behaviour) -> None:
    with hostile_peer(behave) as port:
        begun_s = time.monotonic()
        assert probe(options(f"http://127.0.0.1:{port}"), {}) == []
        took_s = time.monotonic() - begun_s
    assert in_time(took_s, 3 * TIMEOUT_S + 0.5 + lateness_s()), took_s


def test_the_token_is_not_sent_to_where_a_server_redirects() -> None:
    with line_server() as server, line_server() as other:
        asked: list[str] = []

        def note(path: str, body: bytes) -> Reply:
            asked.append(path)
            return Reply(404)

        other.others = note
        server.others = lambda path, body: Reply(302, headers=(("location", other.url + path),))
        assert probe(options(server.url), {"INFLUX_TOKEN": "secret"}) == []
    assert not asked


@pytest.mark.parametrize(
    ("period", "expected"),
    [("0s", 0), ("168h0m0s", 604_800), ("100y", 100 * 31_536_000), ("1", MONTH_S), ("1ms", 0.001)],
)
def test_periods(period: str, expected: float) -> None:
    assert seconds(period, MONTH_S) == pytest.approx(expected)
