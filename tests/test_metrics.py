"""Metrics of station and daemon in both text formats, by the tools of their readers; the rules."""

from __future__ import annotations

import subprocess
import urllib.request
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import msgspec
import pytest
from prometheus_client.openmetrics.parser import (
    text_string_to_metric_families as parse_openmetrics,
)
from prometheus_client.parser import text_string_to_metric_families as parse_plain

from logger.config.load import MetricsOptions
from logger.live.status import ForwarderStatus
from logger.rows import AlarmKind, FaultFamily, Severity
from logger.service.metrics import PREFIX, MetricsServer, families, station_families
from logger.service.openmetrics import CONTENT_TYPE, PLAIN_TYPE, exposition, negotiate
from logger.store.outbox import ForwarderTotals
from logger.store.writer import StoreWriter
from tests.servers import free_port, http, needed
from tests.test_fault_notifiers import fault, sign
from tests.test_status import STATUS
from tests.test_store import SECOND, T0, alarm, transmission

ROOT = Path(__file__).parent.parent
RULES = ROOT / "prometheus/mismatchd.rules.yaml"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    with closing(StoreWriter.open(tmp_path / "station.sqlite")) as opened:
        opened.write(
            [
                transmission(),
                transmission(T0 + 10 * SECOND, swr=1.5, forward_w_mean=3.5),
                transmission(T0 + 20 * SECOND, ended=False),
                fault("opened", T0, severity="critical"),
                sign(T0),
                alarm("raised", T0, "sudden-change"),
                alarm("cleared", T0 + SECOND, "sudden-change"),
            ]
        )
        yield opened


def read(text: str, parse: object) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in parse(text)  # type: ignore[operator]
        for sample in family.samples
    }


def everything(store: StoreWriter) -> list[object]:
    forwarder = ForwarderStatus.of_totals('a "server" \\', ForwarderTotals(7, 2, [], None))
    forwarder = msgspec.structs.replace(forwarder, sent=9, failing=True)
    status = msgspec.structs.replace(STATUS, forwarders=[forwarder])
    return [*families(status), *station_families(store.path)]


def test_alarms_faults_and_the_last_transmission(store: StoreWriter) -> None:
    samples = read(exposition(station_families(store.path), PREFIX), parse_openmetrics)
    assert samples["mismatchd_station_info", (("station_id", store.station_id),)] == 1
    alarms = {key: value for key, value in samples.items() if key[0] == "mismatchd_alarm_open"}
    assert len(alarms) == len(AlarmKind) * len(Severity)
    assert {key[1]: value for key, value in alarms.items() if value} == {
        (("kind", "high-swr"), ("severity", "critical")): 1.0
    }
    faults = {key: value for key, value in samples.items() if key[0] == "mismatchd_fault_open"}
    assert len(faults) == len(FaultFamily) * len(Severity)
    assert {key[1]: value for key, value in faults.items() if value} == {
        (("family", "feedline"), ("severity", "critical")): 1.0
    }
    last = {
        key[0].removeprefix("mismatchd_last_transmission_"): value
        for key, value in samples.items()
        if "last_transmission" in key[0]
    }
    assert last == {
        "swr": 1.5,
        "swr_low": 1.1,
        "swr_high": 1.3,
        "forward_watts": 3.5,
        "reflected_watts": 0.04,
        "end_timestamp_seconds": pytest.approx((T0 + 13 * SECOND) / 1e9),
    }
    store.write([fault("quiet", T0 + SECOND), alarm("cleared", T0 + SECOND)])
    samples = read(exposition(station_families(store.path), PREFIX), parse_openmetrics)
    assert sum(value for key, value in samples.items() if key[0].endswith("_open")) == 0


def test_without_a_store_the_daemon_still_answers(tmp_path: Path) -> None:
    assert station_families(tmp_path / "none.sqlite") == []


def test_both_formats_say_the_same_to_their_readers(store: StoreWriter) -> None:
    content = everything(store)
    openmetrics = read(exposition(content, PREFIX), parse_openmetrics)  # type: ignore[arg-type]
    text = exposition(content, PREFIX, PLAIN_TYPE)  # type: ignore[arg-type]
    assert read(text, parse_plain) == openmetrics
    assert "# EOF" not in text


def test_promtool_finds_nothing_to_complain_about(store: StoreWriter) -> None:
    text = exposition(everything(store), PREFIX, PLAIN_TYPE)  # type: ignore[arg-type]
    done = subprocess.run(
        [needed("promtool"), "check", "metrics"],
        input=text,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.parametrize(
    ("accept", "expected"),
    [
        (None, CONTENT_TYPE),
        ("*/*", PLAIN_TYPE),
        ("text/plain", PLAIN_TYPE),
        ("text/html", PLAIN_TYPE),
        ("application/openmetrics-text", CONTENT_TYPE),
        ("application/openmetrics-text;q=0, */*", PLAIN_TYPE),
        ("text/plain;version=0.0.4;q=0.9, application/openmetrics-text;q=0.2", PLAIN_TYPE),
        (
            "application/openmetrics-text; version=1.0.0; q=0.75,text/plain;version=0.0.4;q=0.5,"
            "*/*;q=0.1",
            CONTENT_TYPE,
        ),
        ("application/openmetrics-text;q=nonsense", PLAIN_TYPE),
        ("", PLAIN_TYPE),
    ],
)
def test_the_format_is_the_one_asked_for(accept: str | None, expected: str) -> None:
    assert negotiate(accept) == expected


def test_a_scraper_gets_what_it_reads(store: StoreWriter) -> None:
    port = free_port()
    options = MetricsOptions(listen=f"127.0.0.1:{port}")
    with closing(MetricsServer(options, lambda: STATUS, store.path)):
        url = f"http://127.0.0.1:{port}/metrics"
        for accept, expected, parse in (
            ("text/plain", PLAIN_TYPE, parse_plain),
            ("application/openmetrics-text", CONTENT_TYPE, parse_openmetrics),
        ):
            request = urllib.request.Request(url, headers={"Accept": accept})
            with urllib.request.urlopen(request) as answer:
                assert answer.headers["Content-Type"] == expected
                samples = read(answer.read().decode(), parse)
            assert samples["mismatchd_last_transmission_swr", ()] == 1.5
        assert b"mismatchd_pairs_total 800000" in http(url)


def test_the_rules_are_right(tmp_path: Path) -> None:
    promtool = needed("promtool")
    subprocess.run([promtool, "check", "rules", RULES], check=True, capture_output=True)
    tests = (Path(__file__).parent / "rules_test.yaml").read_text()
    file = tmp_path / "rules_test.yaml"
    file.write_text(tests.replace("[RULES]", f"[{RULES}]"))
    done = subprocess.run(
        [promtool, "test", "rules", file], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
