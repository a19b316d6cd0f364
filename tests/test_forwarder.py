"""Forwarding to real servers that speak InfluxDB's protocol."""

from __future__ import annotations

import json
import threading
import time
import urllib.parse
from pathlib import Path

import pytest
import yaml

from logger.config.load import InfluxOptions
from logger.forward.answers import ServerError
from logger.forward.influx import InfluxForwarder
from logger.rows import Excursion
from logger.store.journal import Journal
from logger.store.line_protocol import line, point
from logger.store.tables import ALARMS, SECONDS, TRANSMISSIONS
from logger.store.writer import StoreWriter
from logger.utc import format_ns
from tests.deadlines import Deadline, scale
from tests.line_server import TAKEN, Reply, line_server
from tests.servers import Server, http, influxd, victoria_metrics
from tests.test_store import ALWAYS, SECOND, T0, alarm, second, transmission

pytestmark = pytest.mark.realtime

REFERENCES = Path(__file__).parent / "references"


def options(url: str) -> InfluxOptions:
    return InfluxOptions(url=url, org="home", bucket="station")


def exported(server: Server) -> dict[str, list[tuple[int, float]]]:
    """Series by name, points as (ms, value) in time order."""
    http(server.url + "/internal/force_flush")
    query = urllib.parse.urlencode(
        {"match[]": '{__name__!=""}', "start": 0, "end": int(time.time()) + 60}
    )
    series: dict[str, list[tuple[int, float]]] = {}
    for text in http(f"{server.url}/api/v1/export?{query}").splitlines():
        found = json.loads(text)
        points = zip(found["timestamps"], found["values"], strict=True)
        series.setdefault(found["metric"]["__name__"], []).extend(points)
    return {name: sorted(points) for name, points in series.items()}


def fill(store: StoreWriter, first: int, past: int) -> None:
    """Transmissions of three seconds with two per-second rows each."""
    for number in range(first, past):
        start_ns = T0 + number * 10 * SECOND
        store.write(
            [
                transmission(start_ns, energy_j=float(number)),
                second(start_ns, start_ns, samples=number),
                second(start_ns + SECOND, start_ns, samples=number),
            ]
        )


def drain(forwarder: InfluxForwarder) -> None:
    while forwarder.step():
        pass


def test_line_protocol_follows_the_published_examples() -> None:
    examples = yaml.safe_load((REFERENCES / "influx_line_protocol.yaml").read_text())["examples"]
    for example in examples:
        written = line(
            example["measurement"], example["tags"], example["fields"], example["timestamp"]
        )
        assert written == example["line"]


def test_a_server_killed_in_the_middle_loses_and_doubles_nothing(tmp_path: Path) -> None:
    store = StoreWriter.open(tmp_path / "station.sqlite")
    with victoria_metrics(tmp_path) as server:
        forwarder = InfluxForwarder(store.path, options(server.url), "here", {})
        stop = threading.Event()
        thread = threading.Thread(target=forwarder.run, args=(stop,))
        thread.start()
        try:
            fill(store, 0, 300)
            time.sleep(0.5)
            server.stop()
            fill(store, 300, 901)
            deadline = Deadline(10)
            while forwarder.status().last_error is None and not deadline.has_passed():
                time.sleep(0.1)
            assert "cannot be reached" in forwarder.status().last_error
            server.start()
            fill(store, 901, 1200)
            deadline = Deadline(30)
            while forwarder.status().sent < 3600 and not deadline.has_passed():
                time.sleep(0.1)
            status = forwarder.status()
        finally:
            stop.set()
            thread.join(scale(10))
        assert not status.failing
        assert status.refused == 0
        series = exported(server)
    expected = [((T0 + k * 10 * SECOND) // 1_000_000, float(k)) for k in range(1200)]
    assert series["transmission_energy_j"] == expected
    assert len(series["second_samples"]) == 2400
    assert len(set(series["second_samples"])) == 2400
    store.close()


def test_values_come_back_as_they_were_stored(tmp_path: Path) -> None:
    store = StoreWriter.open(tmp_path / "station.sqlite")
    store.write([transmission(), second(T0, forward_v=1.234567), alarm("raised", T0)])
    with victoria_metrics(tmp_path) as server:
        forwarder = InfluxForwarder(store.path, options(server.url), "here", {})
        drain(forwarder)
        assert forwarder.status().backlog == 0
        forwarder.close()
        series = exported(server)
    assert series["second_forward_v"] == [(T0 // 1_000_000, 1.234567)]
    assert series["transmission_forward_w_mean"] == [(T0 // 1_000_000, 3.9877)]
    assert series["alarm_value"] == [(T0 // 1_000_000, 8.5)]
    assert "second_swr" not in series  # what could not be read is absent, not zero
    store.close()


def evaluate(server: Server, text: str) -> float:
    """Value of a query that gives one number."""
    http(server.url + "/internal/force_flush")
    answer = http(f"{server.url}/api/v1/query?{urllib.parse.urlencode({'query': text})}")
    ((sample),) = json.loads(answer)["data"]["result"]
    return float(sample["value"][1])


@pytest.mark.parametrize("is_as_installed", [True, False])
def test_sums_at_a_server_are_those_of_the_store(tmp_path: Path, is_as_installed: bool) -> None:
    """Also as Debian starts it, which keeps every version of a point."""
    first_ns = time.time_ns() // SECOND * SECOND - 1800 * SECOND
    with (
        StoreWriter.open(tmp_path / "station.sqlite") as store,
        victoria_metrics(tmp_path, is_as_installed=is_as_installed) as server,
    ):
        forwarder = InfluxForwarder(store.path, options(server.url), "here", {})
        stop = threading.Event()
        thread = threading.Thread(target=forwarder.run, args=(stop,))
        thread.start()
        try:
            for number in range(8):
                start_ns = first_ns + number * 20 * SECOND
                for part in range(3):  # it goes on
                    store.write([transmission(start_ns, ended=False, energy_j=10.0 * part)])
                    time.sleep(0.3)
                store.write(
                    [
                        transmission(start_ns, energy_j=100.25 + number),
                        alarm("raised", start_ns + SECOND, start_ns=start_ns),
                        alarm("cleared", start_ns + 3 * SECOND, start_ns=start_ns),
                        Excursion(
                            time_ns=start_ns + SECOND,
                            duration_ms=20.5,
                            swr_peak=4.1,
                            swr_beside=1.2,
                        ),
                    ]
                )
            Journal(store.database).insert(first_ns, "repair", "new plug")
            store.write([alarm("raised", start_ns + 5 * SECOND)])
        finally:
            time.sleep(1)
            stop.set()
            thread.join(scale(10))
        energies = [row.columns["energy_j"] for row in store.records(TRANSMISSIONS, *ALWAYS)]
        shown = {
            text: evaluate(server, text)
            for text in (
                "sum(sum_over_time(transmission_energy_j[1h]))",
                "sum(count_over_time(transmission_energy_j[1h]))",
                "sum(sum_over_time(alarm_duration_s[1h]))",
                "sum(last_over_time(alarm_open[1h]))",
                "max(max_over_time(alarm_severity_level[1h]))",
                "sum(sum_over_time(excursion_duration_ms[1h]))",
                "sum(sum_over_time(journal_count{kind='repair'}[1h]))",
            )
        }
    assert list(shown.values()) == pytest.approx([sum(energies), 8, 16, 1, 2, 164, 1], abs=1e-3)
    assert sum(energies) == pytest.approx(8 * 100.25 + 28)


def query(server: Server, text: str) -> list[list[object]]:
    asked = urllib.parse.urlencode({"db": "t", "q": text, "epoch": "ns"})
    answer = json.loads(http(f"{server.url}/query?{asked}"))
    return answer["results"][0]["series"][0]["values"]


def test_a_point_written_twice_lands_on_itself(tmp_path: Path) -> None:
    store = StoreWriter.open(tmp_path / "station.sqlite")
    with influxd(tmp_path) as server:

        def send() -> None:
            lines = [
                point(table, record, "here", store.station_id)
                for table in (TRANSMISSIONS, SECONDS, ALARMS)
                for record in store.records(table, *ALWAYS)
            ]
            http(f"{server.url}/write?db=t&precision=ns", "\n".join(lines).encode())

        store.write([transmission(), second(T0), alarm("raised", T0)])
        send()
        store.write([transmission(energy_j=77.0), alarm("cleared", T0 + SECOND)])
        send()
        assert query(server, "SELECT energy_j FROM transmission") == [[T0, 77.0]]
        ((time_ns, kind, cleared),) = query(server, "SELECT kind, cleared_utc FROM alarm")
        assert (time_ns, kind) == (T0, "high-swr")
        assert cleared == "2026-03-01T19:00:06.123456Z"
        assert query(server, "SELECT count(samples) FROM second")[0][1] == 1
    store.close()


def test_rewritten_rows_are_delivered_anew(tmp_path: Path) -> None:
    store = StoreWriter.open(tmp_path / "station.sqlite")
    with victoria_metrics(tmp_path) as server:
        forwarder = InfluxForwarder(store.path, options(server.url), "here", {})
        fill(store, 0, 3)
        drain(forwarder)
        sent = forwarder.status().sent
        store.write([transmission(T0 + 10 * SECOND, energy_j=99.0)])
        drain(forwarder)
        assert forwarder.status().sent > sent
        forwarder.close()
    store.close()


def test_refused_rows_are_named_and_left_out(tmp_path: Path) -> None:
    store = StoreWriter.open(tmp_path / "station.sqlite")
    fill(store, 0, 20)

    def refuse(lines: list[str]) -> Reply:
        if any("energy_j=13.0" in text for text in lines):
            return Reply(400, b'{"code": "invalid", "message": "field type conflict"}')
        return TAKEN

    with line_server() as server:
        server.rule = refuse
        forwarder = InfluxForwarder(store.path, options(server.url), "here", {})
        drain(forwarder)
        status = forwarder.status()
        forwarder.close()
    store.close()
    assert status.refused == 1
    (named,) = status.refused_rows
    assert (named.table, named.id, named.reason) == (
        "transmissions",
        14,
        "field type conflict",
    )
    assert named.time_utc == format_ns(T0 + 13 * 10 * SECOND)
    assert len(set(server.lines)) == 59
    assert status.backlog == 0


def test_a_server_that_is_away_is_said_so_without_the_token(tmp_path: Path) -> None:
    store = StoreWriter.open(tmp_path / "station.sqlite")
    fill(store, 0, 1)
    forwarder = InfluxForwarder(
        store.path, options("http://127.0.0.1:9"), "here", {"INFLUX_TOKEN": "secret-token"}
    )
    with pytest.raises(ServerError, match="cannot be reached") as caught:
        forwarder.step()
    forwarder.close()
    store.close()
    assert "secret-token" not in str(caught.value)
