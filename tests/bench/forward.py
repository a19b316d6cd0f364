"""Catching up with a backlog: rows a second, bytes a row on the wire and memory.

    python -m tests.bench.forward [ROWS]

The forwarder runs in a process of its own; the server is ours and only unpacks what comes.
"""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from logger.store.writer import StoreWriter
from tests.line_server import TAKEN, LineServer, line_server
from tests.test_store import SECOND, T0, second, transmission

CHILD = """\
import json, sys, time
from pathlib import Path
import msgspec
import psutil
from logger.config.load import InfluxOptions
from logger.forward.influx import InfluxForwarder
rss = psutil.Process().memory_info
options = InfluxOptions(url=sys.argv[2], org="home", bucket="station")
forwarder = InfluxForwarder(Path(sys.argv[1]), options, "here", {})
bare = rss().rss
forwarder.step()
forwarder.step()
first, begun_s = rss().rss, time.monotonic()
rows = steps = 0
while done := forwarder.step():
    rows, steps = rows + done, steps + 1
took_s = time.monotonic() - begun_s
(peak,) = [int(text.split()[1]) for text in open("/proc/self/status") if text.startswith("VmHWM")]
print(json.dumps({"rows": rows, "steps": steps, "rows_per_s": rows / took_s,
    "bare_mb": bare / 1e6, "first_mb": first / 1e6, "last_mb": rss().rss / 1e6,
    "peak_mb": peak * 1024 / 1e6, **msgspec.to_builtins(forwarder.status())}))
forwarder.close()
"""


def backlog(path: Path, rows: int) -> None:
    """A store with one transmission of so many seconds, no two of them alike."""
    with closing(StoreWriter.open(path)) as store:
        store.write([transmission(), second(T0)])
    names = [f"swr{part}" for part in ("", "_low", "_high", "_noise_low", "_noise_high")]
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.executemany(
            "INSERT INTO seconds (time_ns, transmission_id, samples, flags, forward_w,"
            f" reflected_w, forward_v, reflected_v, {', '.join(names)})"
            " VALUES (?, 1, ?, 0, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                (
                    T0 + k * SECOND,
                    200,
                    *(round(4 + k * 0.6180339887 * part % 0.01, 4) for part in range(1, 3)),
                    *(round(1 + k * 0.6180339887 * part % 0.01, 6) for part in range(1, 3)),
                    *(round(1.2 + k * 0.6180339887 * part % 0.1, 4) for part in range(1, 6)),
                )
                for k in range(1, rows)
            ),
        )


def measure(folder: Path, rows: int) -> tuple[dict[str, Any], LineServer]:
    """Figures of the forwarder's process, and the server (which keeps no lines)."""
    path = folder / "station.sqlite"
    backlog(path, rows)
    with line_server() as server:
        server.keep = False
        server.rule = lambda lines: TAKEN
        done = subprocess.run(
            [sys.executable, "-c", CHILD, str(path), server.url],
            capture_output=True,
            text=True,
            check=True,
        )
    return json.loads(done.stdout), server


def main() -> None:
    """Print the figures."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 500_000
    with TemporaryDirectory() as folder:
        figures, server = measure(Path(folder), rows)
    sent, size = (sum(request[k] for request in server.requests) for k in (1, 2))
    print(f"rows                {sent} in {len(server.requests)} requests")
    print(f"most in a request   {max(count for _, count, _ in server.requests)}")
    print(f"rows a second       {figures['rows_per_s']:.0f}")
    print(f"bytes a row sent    {size / sent:.1f} (gzip)")
    print(f"memory, bare        {figures['bare_mb']:.1f} MB")
    print(f"after two batches   {figures['first_mb']:.1f} MB")
    print(f"at the end          {figures['last_mb']:.1f} MB")
    print(f"highest             {figures['peak_mb']:.1f} MB")


if __name__ == "__main__":
    main()
