"""Prints memory and file size after each of ten simulated days through the real daemon.

python -m tests.bench.soak [days] [seed] [mode...]

The traffic is that of `clean_traffic`, in all modes or those named, replayed as quickly as the
daemon takes it. Memory is looked at ten times a second; shown are the median of the last quarter
of a day (what comes and goes with each block left out) and the highest. The file is held against
what the figures below predict for its rows. Fails above the bars.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil

from logger.live.status import ask
from logger.utc import DAY_NS
from tests.bench.clean_traffic import TRAFFIC
from tests.station import Running

START_UTC, START_NS = "2026-01-01T00:00:00Z", 1_767_225_600_000_000_000
GROWTH_MB = 2.0  # allowed after the first day
MORE_DESCRIPTORS = 2  # than after the first day
OFF = 0.10  # allowed of the file, from the prediction
# Predicted bytes in the file, with SQLite's own. Pairs by the mode of the traffic, measured each
# by itself: a carrier is noise of the converter, speech moves it. The other two with indexes.
PAIR_B = {"fm": 0.51, "am": 1.43, "ssb": 1.20}
SECOND_B, TRANSMISSION_B = 150, 192


@dataclass
class Surroundings:
    """What is around the daemon: more of its configuration, its environment, and what happens.

    sections  lines of the configuration
    faults    of the simulated station
    event     called with the simulated day, ten times a second
    """

    sections: str = ""
    faults: list[dict[str, Any]] = field(default_factory=list)
    environ: dict[str, str] = field(default_factory=dict)
    event: Callable[[float], object] = lambda day: None


def config(folder: Path, days: float, seed: int, modes: list[str], around: Surroundings) -> Path:
    """A configuration for so many days."""
    driver = {
        "kind": "simulated",
        "seed": seed,
        "pace": "fast",
        "start_utc": START_UTC,
        "duration_s": days * 86400,
        "block_s": 5.0,
        "operator": {"random": {**TRAFFIC, "modes": modes}},
        "faults": around.faults,
    }
    path = folder / "config.yaml"
    path.write_text(
        f"station: {{name: soak}}\ndriver: {json.dumps(driver)}\n"
        f"store: {{path: data/station.sqlite}}\n{around.sections}"
    )
    return path


def file_bytes(store: Path) -> int:
    """Of the database and its log."""
    pieces = (store.with_name(store.name + suffix) for suffix in ("", "-wal"))
    return sum(piece.stat().st_size for piece in pieces if piece.exists())


def main(
    days: int, seed: int, modes: list[str], folder: Path, around: Surroundings | None = None
) -> bool:
    """Run it; whether memory and descriptors stayed as they are and the file is as predicted."""
    around = around or Surroundings()
    store = folder / "data/station.sqlite"
    begun = time.monotonic()
    daemon = Running(config(folder, days, seed, modes, around), **around.environ)
    said: list[bytes] = []
    reader = threading.Thread(target=lambda: said.extend(daemon.process.stderr or ()))
    reader.start()
    process = psutil.Process(daemon.process.pid)
    by_day: dict[int, list[float]] = {}
    descriptors: dict[int, list[float]] = {}
    while daemon.process.poll() is None:
        time.sleep(0.1)
        daemon.poll()
        status = ask(store) if store.parent.exists() else None
        if status is None or status.last_pair_ns is None:
            continue
        day = 1 + (status.last_pair_ns - START_NS) // DAY_NS
        if by_day and day not in by_day:
            report(by_day, store, time.monotonic() - begun)
        around.event((status.last_pair_ns - START_NS) / DAY_NS)
        with contextlib.suppress(psutil.NoSuchProcess):
            by_day.setdefault(day, []).append(process.memory_info().rss / 1e6)
            descriptors.setdefault(day, []).append(process.num_fds())
    report(by_day, store, time.monotonic() - begun)
    taken_s = time.monotonic() - begun
    alarms = [event for _, event in daemon.events if event["event"] == "alarm"]
    reader.join()
    print(b"".join(said[-1:]).decode().strip())
    with contextlib.closing(sqlite3.connect(store)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        pairs, segments = connection.execute(
            "SELECT sum(pairs), sum(length(data)) FROM segments"
        ).fetchone()
        counts = {
            table: connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("seconds", "transmissions")
        }
        pages = connection.execute(
            "SELECT name, sum(pgsize) FROM dbstat GROUP BY name HAVING sum(pgsize) > 100000"
            " ORDER BY 2 DESC"
        ).fetchall()
    size = file_bytes(store)
    pair_b = statistics.fmean(PAIR_B[mode] for mode in modes)
    expected = (
        pair_b * pairs + SECOND_B * counts["seconds"] + TRANSMISSION_B * counts["transmissions"]
    )
    print(
        f"{days} days in {taken_s:.0f} s; {days * 86400 * 200 / taken_s / 1e6:.2f} million pairs/s;"
        f" {len(alarms)} alarm changes"
    )
    print(f"{pairs:,} pairs archived, {segments / pairs:.3f} bytes a pair in segments; {counts}")
    print("pages: " + ", ".join(f"{name} {bytes_ / 1e6:.2f} MB" for name, bytes_ in pages))
    off = size / expected - 1
    print(
        f"file: {size / 1e6:.2f} MB; predicted {expected / 1e6:.2f} MB"
        f" ({pair_b:.2f} B a pair, {SECOND_B} B a second, {TRANSMISSION_B} B a transmission);"
        f" {off:+.1%}"
    )
    medians = [at_end(found) for found in by_day.values()]
    growth = 0.0
    if len(medians) > 1:  # by a line through the days, as each comes out a MB or two off
        growth = (len(medians) - 1) * statistics.linear_regression(range(len(medians)), medians)[0]
    print(
        f"memory: {growth:+.2f} MB after the first day; days from {min(medians):.1f} to"
        f" {max(medians):.1f} MB"
    )
    numbers = [at_end(found) for found in descriptors.values()]
    print(
        f"descriptors: {', '.join(f'{number:.0f}' for number in numbers)} at the ends of the days"
    )
    is_steady = growth < GROWTH_MB and numbers[-1] <= numbers[0] + MORE_DESCRIPTORS
    return is_steady and abs(off) < OFF and daemon.process.returncode == 0


def at_end(resident: list[float]) -> float:
    """The median of the last quarter."""
    return statistics.median(resident[len(resident) * 3 // 4 :])


def report(by_day: dict[int, list[float]], store: Path, taken_s: float) -> None:
    """Print the day that is over."""
    day, resident = list(by_day.items())[-1]
    print(
        f"day {day:2}: {at_end(resident):.1f} MB resident, {max(resident):.1f} at most;"
        f" {file_bytes(store) / 1e6:.2f} MB in the file; {taken_s:.0f} s",
        flush=True,
    )


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        passed = main(
            int(sys.argv[1]) if len(sys.argv) > 1 else 10,
            int(sys.argv[2]) if len(sys.argv) > 2 else 1,
            sys.argv[3:] or TRAFFIC["modes"],
            Path(name),
        )
    sys.exit(not passed)
