"""After an outage: nothing lost, nothing doubled, what is new first, and memory bounded."""

from __future__ import annotations

import json
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest

from logger.config.load import InfluxOptions
from logger.forward import influx
from logger.forward.influx import InfluxForwarder
from logger.store.writer import StoreWriter
from tests.bench.forward import measure
from tests.deadlines import Deadline, scale
from tests.line_server import Reply, line_server, passed_on
from tests.servers import victoria_metrics
from tests.station import Running, mismatchd, pty, write_config
from tests.test_end_to_end import QUIET, play, play_until_read
from tests.test_forwarder import exported
from tests.test_store import SECOND, T0, second, transmission

pytestmark = pytest.mark.realtime

WRITE = "/api/v2/write?org=home&bucket=station&precision=ns"


def seconds_of(store: StoreWriter, start_ns: int, count: int) -> None:
    store.write([transmission(start_ns)])
    store.write([second(start_ns + k * SECOND, start_ns, samples=k) for k in range(count)])


@pytest.mark.nightly
def test_ten_thousand_rows_while_the_server_is_stopped(tmp_path: Path) -> None:
    """New rows are written all through the catching up, and none may wait for the backlog."""
    store = StoreWriter.open(tmp_path / "station.sqlite")
    with victoria_metrics(tmp_path) as metrics, line_server() as front:
        to_metrics = passed_on(metrics.url + WRITE)

        def slowly(lines: list[str]) -> Reply:
            reply = to_metrics(lines)
            time.sleep(len(lines) / 4000)
            return reply

        front.rule = slowly
        forwarder = InfluxForwarder(
            store.path, InfluxOptions(url=front.url, org="home", bucket="station"), "here", {}
        )
        stop = threading.Event()
        thread = threading.Thread(target=forwarder.run, args=(stop,))
        thread.start()
        written_s: dict[int, float] = {}
        try:
            seconds_of(store, T0, 100)
            time.sleep(1.0)
            metrics.stop()
            seconds_of(store, T0 + 1000 * SECOND, 10_000)
            time.sleep(2.0)
            assert forwarder.status().failing
            metrics.start()
            live_ns = T0 + 100_000 * SECOND
            store.write([transmission(live_ns, ended=False)])
            number = 0
            deadline = Deadline(60)
            while forwarder.status().failing or forwarder.status().backlog > 50:
                assert not deadline.has_passed()
                at_ns = live_ns + number * SECOND
                store.write([second(at_ns, live_ns, samples=number)])
                written_s[at_ns] = time.monotonic()  # committed, so forwarders can see it
                number += 1
                time.sleep(0.1)
            while forwarder.status().backlog:
                assert not deadline.has_passed()
                time.sleep(0.1)
        finally:
            stop.set()
            thread.join(scale(10))
        series = exported(metrics)
    store.close()
    status = forwarder.status()
    assert (status.backlog, status.refused) == (0, 0)
    samples = series["second_samples"]
    assert len(samples) == len(dict(samples)) == 10_100 + number
    assert dict(samples)[(T0 + 10_999 * SECOND) // 1_000_000] == 9999.0
    assert len(series["transmission_samples"]) == 2
    assert max(count for _, count, _ in front.requests) <= influx.BATCH_ROWS

    arrived = {
        int(text.rpartition(" ")[2]): at_s
        for at_s, texts in reversed(front.taken)
        for text in texts
    }
    again_s = min(at_s for at_s, texts in front.taken if at_s > min(written_s.values()))
    caught_up_s = max(arrived[T0 + (1000 + k) * SECOND] for k in range(10_000))
    assert caught_up_s - again_s > 1.0  # there was something to wait for
    old = range(T0 + 1000 * SECOND, T0 + 11_000 * SECOND)
    # The first live request begins with old rows too, the newest of them, but ends with new ones.
    old_s = [at_s for at_s, texts in front.taken if int(texts[-1].rpartition(" ")[2]) in old]
    live = [at_ns for at_ns in written_s if again_s < written_s[at_ns] < caught_up_s]
    assert len(live) > 5
    for at_ns in live:  # behind the one batch that may be under way, and no other
        assert sum(written_s[at_ns] < at_s < arrived[at_ns] for at_s in old_s) <= 1


@pytest.mark.nightly
def test_a_daemon_killed_in_the_middle_of_catching_up(tmp_path: Path) -> None:
    rows, kills = 30_000, (5, 2, 2, 2)  # so many requests in, while the last is under way
    with victoria_metrics(tmp_path) as metrics, line_server() as front, pty() as (master, name):
        to_metrics = passed_on(metrics.url + WRITE)

        def slowly(lines: list[str]) -> Reply:
            time.sleep(0.25)
            return to_metrics(lines)

        front.rule = slowly
        config = write_config(
            tmp_path,
            name,
            influxdb=f"[{{url: '{front.url}', org: home, bucket: station}}]",
        )
        path = tmp_path / "data/station.sqlite"
        with closing(StoreWriter.open(path)) as store:
            seconds_of(store, T0, rows)
        for requests in kills:
            daemon = Running(config)
            try:
                before = len(front.requests)
                deadline = Deadline(20)
                while len(front.requests) < before + requests and not deadline.has_passed():
                    time.sleep(0.01)
                assert len(front.requests) == before + requests
            finally:
                daemon.kill()
        dead = mismatchd("status", "--json", "-c", config, check=False)
        (waiting,) = json.loads(dead.stdout)["forwarders"]
        assert 0 < waiting["backlog"] < rows
        front.rule = to_metrics
        daemon = Running(config)
        try:
            play_until_read(daemon, config, master)
            play(master, 200, [(0.5, QUIET), (1.0, (4.0, 0.1)), (2.0, QUIET)])
            deadline = Deadline(30)
            while not deadline.has_passed():
                status = json.loads(mismatchd("status", "--json", "-c", config).stdout)
                if status["forwarders"][0]["backlog"] == 0 and status["transmissions"] == 2:
                    break
                time.sleep(0.2)
            assert status["transmissions"] == 2, "the daemon has not seen the key-down"
            told = mismatchd("status", "-c", config).stdout
            code, _ = daemon.stop()
        finally:
            daemon.kill()
        series = exported(metrics)
    assert code == 0
    assert f"influxdb      {front.url} home/station: 0 rows waiting; rows last accepted 20" in told
    old = [point for point in series["second_samples"] if point[0] < (T0 + 2 * rows * SECOND) / 1e6]
    assert old == [((T0 + k * SECOND) // 1_000_000, float(k)) for k in range(rows)]
    assert len(series["transmission_samples"]) == 2
    assert len(set(front.lines)) <= len(front.lines) <= rows + 5 + len(kills) * 5500


@pytest.mark.nightly
def test_memory_does_not_grow_with_the_backlog(tmp_path: Path) -> None:
    figures, server = measure(tmp_path, 60_000)
    assert sum(count for _, count, _ in server.requests) == 60_001
    assert figures["backlog"] == 0
    assert figures["peak_mb"] - figures["first_mb"] < 16
    assert figures["last_mb"] - figures["first_mb"] < 16
