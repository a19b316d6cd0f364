"""Many stations forward to one VictoriaMetrics through vmauth: a token each, real programs."""

from __future__ import annotations

import json
import signal
import threading
import time
import urllib.parse
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
import yaml

from logger.config.load import InfluxOptions
from logger.forward.answers import ServerError
from logger.forward.influx import InfluxForwarder
from logger.store.writer import StoreWriter
from tests.deadlines import wait_until
from tests.servers import Server, free_port, http, needed, victoria_metrics
from tests.test_forwarder import drain, fill

pytestmark = pytest.mark.realtime


class Gate(Server):
    """vmauth in front of a server, with a token for each station."""

    def __init__(self, folder: Path, behind: str, stations: dict[str, tuple[str, str]]) -> None:
        port = free_port()
        self._users, self._behind = folder / "vmauth.yaml", behind
        self.allow(stations)
        super().__init__(
            [
                needed("vmauth"),
                f"-httpListenAddr=127.0.0.1:{port}",
                f"-auth.config={self._users}",
            ],
            port,
            "/health",
        )

    def allow(self, stations: dict[str, tuple[str, str]]) -> None:
        """Write the tokens of stations by id and name, as the handbook has them."""
        users = [
            {
                "bearer_token": token,
                "url_map": [
                    {
                        "src_paths": ["/api/v2/write"],
                        "url_prefix": f"{self._behind}/?extra_label=station_id={station_id}"
                        f"&extra_label=station={urllib.parse.quote(name)}",
                    }
                ],
            }
            for token, (station_id, name) in stations.items()
        ]
        self._users.write_text(yaml.safe_dump({"users": users}))

    def reload(self) -> None:
        """SIGHUP: the configuration is read again."""
        assert self._process is not None
        self._process.send_signal(signal.SIGHUP)


@contextmanager
def running(server: Server) -> Iterator[Server]:
    server.start()
    try:
        yield server
    finally:
        server.stop()


def points(server: Server) -> dict[tuple[str, str], dict[str, list[tuple[int, float]]]]:
    """Points by (station, station_id) and series, as many times as they are there."""
    http(server.url + "/internal/force_flush")
    query = urllib.parse.urlencode({"match[]": '{__name__!=""}', "start": 0, "end": time.time()})
    found: dict[tuple[str, str], dict[str, list[tuple[int, float]]]] = {}
    for text in http(f"{server.url}/api/v1/export?{query}").splitlines():
        one: dict[str, Any] = json.loads(text)
        labels = one["metric"]
        key = (labels.get("station", ""), labels.get("station_id", ""))
        series = found.setdefault(key, {}).setdefault(labels["__name__"], [])
        series += zip(one["timestamps"], one["values"], strict=True)
    return found


def energies(store: StoreWriter) -> list[tuple[int, float]]:
    rows = store.database.query("SELECT start_ns / 1000000, energy_j FROM transmissions ORDER BY 1")
    return [(time_ms, energy) for time_ms, energy in rows]


def test_a_token_stamps_its_station(tmp_path: Path) -> None:
    with ExitStack() as stack:
        database = stack.enter_context(victoria_metrics(tmp_path))
        stores = [
            stack.enter_context(closing(StoreWriter.open(tmp_path / f"{n}.sqlite")))
            for n in range(2)
        ]
        tokens = {f"token-{n}": (store.station_id, "harbour") for n, store in enumerate(stores)}
        gate = Gate(tmp_path, database.url, tokens)
        stack.enter_context(running(gate))

        def forwarder(number: int, name: str, token: str) -> InfluxForwarder:
            options = InfluxOptions(url=gate.url, org="-", bucket="-", token_env="TOKEN")
            return InfluxForwarder(stores[number].path, options, name, {"TOKEN": token})

        for number, store in enumerate(stores):
            fill(store, 20 * number, 20 * number + 20)
            # The second says that it is another station; its token says which it is.
            name = ("harbour", "forged")[number]
            with closing(forwarder(number, name, f"token-{number}")) as sender:
                if number:
                    sender._ensure_open()
                    sender._station_id = stores[0].station_id
                drain(sender)
        found = points(database)
        assert set(found) == {("harbour", store.station_id) for store in stores}
        for store in stores:
            series = found["harbour", store.station_id]["transmission_energy_j"]
            assert sorted(series) == energies(store)
        # A wrong token, and one that is revoked, keep rows waiting; nothing else comes through.
        fill(stores[0], 100, 110)
        with closing(forwarder(0, "harbour", "wrong")) as sender:
            with pytest.raises(ServerError):
                drain(sender)
            assert sender.status().backlog == 30
        gate.allow({"token-1": tokens["token-1"]})
        gate.reload()

        def is_refused() -> bool:
            with closing(forwarder(0, "harbour", "token-0")) as sender:
                try:
                    drain(sender)
                except ServerError:
                    return True
                fill(stores[0], 110, 111)
                return False

        assert wait_until(is_refused, 10)
        with pytest.raises(OSError, match="401"):
            http(f"{gate.url}/api/v1/export?match[]=up")  # nobody reads without a token
        gate.allow(tokens)
        gate.stop()
        with closing(forwarder(0, "harbour", "token-0")) as sender:
            with pytest.raises(ServerError):
                drain(sender)
            gate.start()
            drain(sender)
            assert sender.status().backlog == 0
        found = points(database)
        series = found["harbour", stores[0].station_id]["transmission_energy_j"]
        assert sorted(series) == energies(stores[0])


def test_backlogs_of_several_stations_arrive_once_each(tmp_path: Path) -> None:
    with ExitStack() as stack:
        database = stack.enter_context(victoria_metrics(tmp_path))
        stores = [
            stack.enter_context(closing(StoreWriter.open(tmp_path / f"{n}.sqlite")))
            for n in range(6)
        ]
        gate = Gate(
            tmp_path,
            database.url,
            {f"token-{n}": (store.station_id, f"s{n}") for n, store in enumerate(stores)},
        )
        stack.enter_context(running(gate))
        senders = []
        for number, store in enumerate(stores):
            with store.database.transaction():
                fill(store, 0, 60)
            options = InfluxOptions(url=gate.url, org="-", bucket="-", token_env="TOKEN")
            sender = InfluxForwarder(store.path, options, "any", {"TOKEN": f"token-{number}"})
            senders.append(sender)
        stop = threading.Event()
        threads = [threading.Thread(target=sender.run, args=(stop,)) for sender in senders]
        for thread in threads:
            thread.start()
        gate.stop()  # in the middle of it
        gate.start()

        def is_done() -> bool:
            return all(sender.status().sent and not sender.status().backlog for sender in senders)

        assert wait_until(is_done, 30)
        stop.set()
        for thread in threads:
            thread.join()
        found = points(database)
        assert set(found) == {(f"s{n}", store.station_id) for n, store in enumerate(stores)}
        for number, store in enumerate(stores):
            series = found[f"s{number}", store.station_id]
            assert sorted(series["transmission_energy_j"]) == energies(store)
            assert len(series["second_samples"]) == 120
