"""Prints how the week's backlogs of many stations reach one VictoriaMetrics through vmauth at once:
rows a second, memory of the servers and of the forwarders, points lost or doubled.

    python -m tests.bench.fleet [stations]

Fails if a point is lost or doubled, or if the database takes more than MOST_MB of memory.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from pathlib import Path

import psutil

from logger.config.load import InfluxOptions
from logger.forward.influx import InfluxForwarder
from logger.store.database import Database
from logger.store.writer import StoreWriter
from tests.servers import victoria_metrics
from tests.test_fleet_series import Gate, points, running
from tests.test_health import health
from tests.test_store import SECOND, T0, second, transmission

DAYS, PER_DAY, SECONDS = 7, 40, 20  # transmissions a day, seconds of each
MOST_MB = 300  # of the database server


def week(path: Path) -> int:
    """A store with the rows of a week; their number."""
    with StoreWriter.open(path) as store:
        for number in range(DAYS * PER_DAY):
            start_ns = T0 + number * 86_400 // PER_DAY * SECOND
            rows = [second(start_ns + n * SECOND, start_ns) for n in range(SECONDS)]
            store.write([transmission(start_ns), *rows])
        store.write([health(n) for n in range(DAYS * 1440)])
        return sum(
            store.database.query_value(f"SELECT count(*) FROM {name}")
            for name in ("transmissions", "seconds", "health")
        )


def memory_mb(name: str) -> float:
    """Memory of the child process of a program."""
    children = psutil.Process().children()
    return sum(child.memory_info().rss for child in children if child.name() == name) / 1e6


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        rows = week(folder / "week.sqlite")
        tokens, senders = {}, []
        for number in range(count):
            path = folder / f"{number}.sqlite"
            with Database.editor(folder / "week.sqlite") as database:
                database.copy_to(path)
            with StoreWriter.open(path) as store:
                station_id = f"{number:08d}{store.station_id[8:]}"
                store.database.execute("UPDATE station SET id = ?", (station_id,))
            tokens[f"token-{number}"] = (station_id, f"site{number}")
        database_server = stack.enter_context(victoria_metrics(folder))
        gate = Gate(folder, database_server.url, tokens)
        stack.enter_context(running(gate))
        for number, token in enumerate(tokens):
            options = InfluxOptions(url=gate.url, org="-", bucket="-", token_env="TOKEN")
            path = folder / f"{number}.sqlite"
            senders.append(InfluxForwarder(path, options, "any", {"TOKEN": token}))
        own = psutil.Process()
        highest = {"victoria-metrics": 0.0, "vmauth": 0.0, "forwarders": 0.0}
        stop = threading.Event()
        threads = [threading.Thread(target=sender.run, args=(stop,)) for sender in senders]
        begun, begun_cpu = time.monotonic(), time.process_time()
        for thread in threads:
            thread.start()
        while not all(s.status().sent and not s.status().backlog for s in senders):
            for program in ("victoria-metrics", "vmauth"):
                highest[program] = max(highest[program], memory_mb(program))
            highest["forwarders"] = max(highest["forwarders"], own.memory_info().rss / 1e6)
            time.sleep(0.5)
        took, took_cpu = time.monotonic() - begun, time.process_time() - begun_cpu
        stop.set()
        for thread in threads:
            thread.join()
        print(f"{count} stations, {rows} rows each: {took:.0f} s, {count * rows / took:.0f} rows/s")
        print(
            f"CPU of all forwarders {took_cpu:.0f} s, {1e6 * took_cpu / count / rows:.0f} µs a row"
        )
        print(", ".join(f"{program} {mb:.0f} MB" for program, mb in highest.items()))
        wanted = {
            "transmission_energy_j": DAYS * PER_DAY,
            "second_samples": DAYS * PER_DAY * SECONDS,
            "health_pairs": DAYS * 1440,
        }
        found = points(database_server)
        wrong = [
            (station, series)
            for station_id, station in tokens.values()
            for series, number in wanted.items()
            if len(found[station, station_id][series]) != number
        ]
        print(f"stations {len(found)}, series with points lost or doubled: {len(wrong)}")
        if wrong or len(found) != count or highest["victoria-metrics"] > MOST_MB:
            sys.exit(1)


if __name__ == "__main__":
    main()
