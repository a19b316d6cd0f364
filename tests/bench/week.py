"""Prints what a week costs with all outlets, and everything around failing now and then.

python -m tests.bench.week [days] [seed]

As `soak`, with forwarding to a server, notifiers of each kind, a scraper and a viewer. Each day the
station has a fault; the database, the broker, the web server and the disk fail in turn. Fails if
memory grows by 2 MB, descriptors by 3, the file is not as predicted, or a store is set aside.
"""

from __future__ import annotations

import contextlib
import errno
import subprocess
import sys
import tempfile
import threading
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from tests.bench.clean_traffic import TRAFFIC
from tests.bench.soak import Surroundings, main
from tests.counterparts import broker, hook_server
from tests.disk import READ, SYNC, WRITE, Disk
from tests.servers import free_port, victoria_metrics
from tests.test_stalls import command

FAULT_KINDS = ("intermittent", "heating", "resistance", "open", "short")
# Hours of the day at which something begins to fail, for some real seconds: a simulated station
# waits for its store.
TROUBLES = {"disk": 3, "stall": 6, "database": 9, "broker": 13, "web": 16}
TROUBLE_S = 3.0
PROGRAM = "import sys\nsys.stdin.read()\nsys.exit(len(sys.argv) > 9)\n"


def station_faults(days: int) -> list[dict[str, Any]]:
    """Return a fault of half an hour each day."""
    return [
        {
            "at_s": day * 86400 + 7 * 3600,
            "duration_s": 1800,
            "where": "antenna-plug",
            "kind": FAULT_KINDS[day % len(FAULT_KINDS)],
        }
        for day in range(days)
    ]


Switches = Mapping[str, tuple[Callable[[], object], Callable[[], object]]]


class Troubles:
    """Begins troubles by the hour of the simulated day, each once a day, and ends them."""

    def __init__(self, switches: Switches) -> None:
        self._switches = switches
        self._done: set[tuple[str, int]] = set()
        self._timers: list[threading.Timer] = []

    @property
    def number(self) -> int:
        """How many there were."""
        return len(self._timers)

    def update(self, day: float) -> None:
        """Begin what is due."""
        for name, hour in TROUBLES.items():
            key = name, int(day)
            if (day % 1) * 24 >= hour and key not in self._done:
                self._done.add(key)
                begin, end = self._switches[name]
                begin()
                self._timers.append(threading.Timer(TROUBLE_S, end))
                self._timers[-1].start()

    def end(self) -> None:
        """Wait for the last one to end."""
        for timer in self._timers:
            timer.join()


def run(days: int, seed: int, folder: Path) -> bool:
    """Run the week."""
    (folder / "data").mkdir()
    disk, port = Disk(folder, folder / "data"), free_port()
    with ExitStack() as stack:
        database = stack.enter_context(victoria_metrics(folder))
        mqtt = stack.enter_context(broker(folder))
        hook = stack.enter_context(hook_server())
        scraped: list[int] = []

        def scrape() -> None:
            with contextlib.suppress(urllib.error.URLError, ConnectionError):
                url = f"http://127.0.0.1:{port}/metrics"
                with urllib.request.urlopen(url, timeout=10) as answer:
                    scraped.append(len(answer.read()))

        def refuse(status: int) -> None:
            hook.status = status

        troubles = Troubles(
            {
                "disk": (lambda: disk.fail(errno.EIO, READ, WRITE, SYNC, every=5), disk.heal),
                "stall": (disk.stall, lambda: disk.stall(stalls=False)),
                "database": (database.stop, database.start),
                "broker": (mqtt.kill, mqtt.start),
                "web": (lambda: refuse(503), lambda: refuse(204)),
            }
        )

        viewers: list[subprocess.Popen[bytes]] = []

        def event(day: float) -> None:
            troubles.update(day)
            scrape()
            if not viewers:
                words = [sys.executable, "-m", "logger.cli", "live", "--plain", "-c"]
                config = folder / "config.yaml"
                viewers.append(subprocess.Popen([*words, config], stdout=subprocess.DEVNULL))

        program = command(folder, f"#!{sys.executable}\n{PROGRAM}")
        around = Surroundings(
            sections=f"influxdb: {{url: '{database.url}', org: home, bucket: station}}\n"
            f"metrics: {{listen: '127.0.0.1:{port}'}}\n"
            f"notify: [{program}, {{kind: webhook, url: '{hook.url}'}},"
            f" {{kind: mqtt, host: 127.0.0.1, port: {mqtt.port}}}]\n",
            faults=station_faults(days),
            environ={**disk.environ, "INFLUX_TOKEN": "none"},
            event=event,
        )
        try:
            passed = main(days, seed, TRAFFIC["modes"], folder, around)
        finally:
            troubles.end()
            for viewer in viewers:
                viewer.kill()
                viewer.wait()
        print(
            f"{troubles.number} troubles; {len(hook.taken())} messages at the web server,"
            f" {len(hook.posts) - len(hook.taken())} refused; scraped {len(scraped)} times"
        )
        asides = [path.name for path in (folder / "data").glob("*.damaged*")]
        print(f"set aside as damaged: {', '.join(asides) or 'nothing'}")
    return passed and not asides


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        is_well = run(
            int(sys.argv[1]) if len(sys.argv) > 1 else 7,
            int(sys.argv[2]) if len(sys.argv) > 2 else 1,
            Path(name),
        )
    sys.exit(not is_well)
