"""Prints what a fleet costs: stations push a month to a real object store, and are reported on.

    python -m tests.bench.fleet_scale [--stations 1000] [--raw 20] [--days 30] [--keep FOLDER]

What is invented: the simulator runs a few different days; each station has days drawn from these,
moved in time, with the SWR of its rows multiplied by a factor of its own, and a row of health a
minute. Raw pairs are those of the simulated days. Each station pushes its own store with its own
key by the product's code to SeaweedFS, and the commands run as a user runs them.

With --keep, simulated days, stores and archive stay in FOLDER. A later run with the same FOLDER
pushes only stations that are not pushed yet, and measures report, query and recompute again.
Seconds of wall clock need an idle machine.

The gain of a second worker is measured on a copy of the archive in a folder: on a machine of two
cores, the object store would take part of the second.

Fails if the report takes more than MOST_S, two workers are less than LEAST_GAIN times as fast as
one, or recomputed rows are not those of the station's own `recompute`.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import NamedTuple

import numpy as np
import psutil
from msgspec import json
from s3fs import S3FileSystem

from logger.config.load import RemoteOptions, Sections, StationOptions
from logger.fleet.push import PushTotals, push
from logger.fleet.remote import Remote
from logger.store.sqlite import insert
from logger.store.writer import StoreWriter
from logger.utc import DAY_NS
from tests.servers import HUB_KEY, PREFIX, ObjectStore, object_store
from tests.station import mismatchd

MOST_S, LEAST_GAIN = 300.0, 1.7
POOL = 6  # different days
PUSHERS = 4  # which wait for disk and server half of the time
SETTLE_S = 5  # until the object store knows all its objects
FIRST_NS = 1_796_083_200_000_000_000 // DAY_NS * DAY_NS  # 2026-12-01
DAY = """\
station: {{name: day}}
driver:
  kind: simulated
  seed: {seed}
  pace: fast
  duration_s: 86400
  start_utc: 2026-12-01T00:00:00Z
  operator: {{random: {{transmissions_per_hour: 1.5}}}}
store: {{path: {seed}.sqlite}}
"""
TABLES = {"transmissions": "start_ns", "seconds": "time_ns"}
HEALTH = "time_ns duration_s pairs pairs_per_s gaps clock_synchronised clock_step_ms"


class Pushed(NamedTuple):
    """Cost of the pushes of one station: of all its days, and of one more day."""

    objects: int
    bytes: int
    cpu_s: float
    day_objects: int
    day_bytes: int
    day_cpu_s: float
    pairs: int


class Used(NamedTuple):
    """Cost of a command."""

    wall_s: float
    cpu_s: float
    largest_mb: float
    output: str


def simulate(folder: Path) -> None:
    """Run the simulated days, two at a time."""
    for first in range(0, POOL, 2):
        processes = []
        for seed in (first, first + 1):
            config = folder / f"{seed}.yaml"
            config.write_text(DAY.format(seed=seed))
            words = [sys.executable, "-m", "logger.cli", "run", "-c", str(config)]
            processes.append(subprocess.Popen(words, stderr=subprocess.DEVNULL))
        for process in processes:
            assert process.wait() == 0


def add_days(store: StoreWriter, pool: Path, number: int, days: Sequence[int], raw: bool) -> None:
    """Insert days drawn from the pool, day 0 the first of all."""
    rng = np.random.default_rng([number, days[0]])
    factor = float(np.random.default_rng(number).uniform(0.98, 1.3))
    database = store.database
    for day in days:
        seed = int(rng.integers(POOL))
        later_ns = (day - 40) * DAY_NS
        database.execute(f"ATTACH '{pool / f'{seed}.sqlite'}' AS one")
        with database.transaction():
            base = database.query_value("SELECT coalesce(max(id), 0) FROM main.transmissions")
            for table in TABLES:
                columns = [
                    row[0]
                    for row in database.query(f"SELECT name FROM pragma_table_info('{table}')")
                ]
                values = {name: f'"{name}"' for name in columns}
                values |= {name: f"{name} + {later_ns}" for name in columns if name.endswith("_ns")}
                values |= {name: f"{name} * {factor}" for name in columns if name.startswith("swr")}
                values["transmission_id"] = f"transmission_id + {base}"
                values["id"] = f"id + {base}" if table == "transmissions" else "NULL"
                chosen = ", ".join(values[name] for name in columns)
                database.execute(f"INSERT INTO main.{table} SELECT {chosen} FROM one.{table}")
            for table in ("calibrations", "memories"):
                database.execute(f"INSERT OR IGNORE INTO main.{table} SELECT * FROM one.{table}")
            if raw:
                database.execute(
                    f"INSERT INTO main.segments (first_ns, last_ns, pairs, merged, data) SELECT"
                    f" first_ns + {later_ns}, last_ns + {later_ns}, pairs, merged, data"
                    " FROM one.segments"
                )
                database.execute(
                    "INSERT INTO main.runs (first_ns) VALUES (?)", (FIRST_NS + later_ns,)
                )
            database.execute_many(
                insert("health", HEALTH.split()),
                [
                    (FIRST_NS + later_ns + n * 60_000_000_000, 60.0, 12_000, 200.0, 0, 1, 0.1)
                    for n in range(1440)
                ],
            )
        database.execute("DETACH one")


def live(folder: Path, number: int, days: int, raw: bool, station_id: str, url: str) -> Pushed:
    """Make a station's store and push it: all days but one, then one more."""
    remote = Remote(
        RemoteOptions(
            url=PREFIX, endpoint=url, access_key=f"key-{number}", secret_key_env="SECRET"
        ),
        {"SECRET": "secret"},
    )
    path = folder / f"station-{number}.sqlite"
    path.unlink(missing_ok=True)  # of a run that was interrupted
    sections = Sections(driver={}, station=StationOptions(name=f"site-{number:04}"))
    with StoreWriter.open(path) as store:
        store.database.execute("UPDATE station SET id = ?", (station_id,))
        add_days(store, folder, number, range(40 - days + 1, 40), raw)
    first, first_s = timed_push(path, remote, sections)
    with StoreWriter.open(path) as store:
        add_days(store, folder, number, [40], raw)
        pairs = store.archive.pairs()
    last, last_s = timed_push(path, remote, sections)
    if not raw:
        path.unlink()
    made = Pushed(first.objects, first.bytes, first_s, last.objects, last.bytes, last_s, pairs)
    pushed_file(folder, number).write_bytes(json.encode(made))
    return made


def pushed_file(folder: Path, number: int) -> Path:
    """Return the file that notes the pushes of a station."""
    return folder / f"pushed-{number}.json"


def timed_push(path: Path, remote: Remote, sections: Sections) -> tuple[PushTotals, float]:
    begin_s = time.process_time()
    totals = push(path, remote, sections, time.time_ns())
    return totals, time.process_time() - begin_s


def run(server: ObjectStore, *words: str, key: tuple[str, str] = HUB_KEY) -> Used:
    """Run a command in processes of its own."""
    environ = {
        **os.environ,
        "AWS_ENDPOINT_URL": server.url,
        "AWS_ACCESS_KEY_ID": key[0],
        "AWS_SECRET_ACCESS_KEY": key[1],
    }
    begin_s = time.monotonic()
    with tempfile.TemporaryFile() as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "logger.cli", *words], stdout=out, env=environ
        )
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        wall_s = time.monotonic() - begin_s
        assert process.returncode == 0, words
        out.seek(0)
        text = out.read().decode()
    return Used(wall_s, used.ru_utime + used.ru_stime, used.ru_maxrss / 1e3, text)


def server_s() -> float:
    """CPU seconds of the object store so far."""
    return sum(
        sum(child.cpu_times()[:2])
        for child in psutil.Process().children()
        if child.name() == "weed"
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--stations", type=int, default=1000)
    parser.add_argument("--raw", type=int, default=20)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--keep", type=Path, metavar="FOLDER")
    options = parser.parse_args()
    if options.keep:
        options.keep.mkdir(parents=True, exist_ok=True)
        measure(options.keep, options.stations, options.raw, options.days)
        return
    with tempfile.TemporaryDirectory() as name:
        measure(Path(name), options.stations, options.raw, options.days)


def measure(folder: Path, count: int, raw: int, days: int) -> None:
    """Push unless that is done in this folder, then time the commands."""
    ids = [f"00000000-0000-4000-8000-{number:012}" for number in range(count)]
    keys = {station_id: (f"key-{n}", "secret") for n, station_id in enumerate(ids)}
    missing = [n for n in range(count) if not pushed_file(folder, n).exists()]
    if not (folder / "simulated").exists():
        simulate(folder)
        (folder / "simulated").touch()
    with object_store(folder, keys) as server:
        print(f"{count} stations, {raw} with raw pairs, {days} days:", flush=True)
        if missing:
            begin_s, before_s = time.monotonic(), server_s()
            with ProcessPoolExecutor(PUSHERS, mp_context=get_context("spawn")) as workers:
                futures = [
                    workers.submit(live, folder, n, days, n < raw, ids[n], server.url)
                    for n in missing
                ]
                for future in futures:
                    future.result()
            spent_s = server_s() - before_s
            print(
                f"{len(missing)} stores made and pushed in {time.monotonic() - begin_s:.0f} s,"
                f" object store {spent_s:.0f} s CPU",
                flush=True,
            )
        time.sleep(SETTLE_S)
        pushed = [
            json.decode(pushed_file(folder, n).read_bytes(), type=Pushed) for n in range(count)
        ]
        print_pushes("rows", pushed[raw:], days)
        print_pushes("rows and pairs", pushed[:raw], days)
        wall_s, _ = time_reports(server, PREFIX, count)
        copy = folder / "copy"
        if not copy.exists():
            fs = S3FileSystem(key=HUB_KEY[0], secret=HUB_KEY[1], endpoint_url=server.url)
            fs.get(f"{PREFIX.removeprefix('s3://')}/", f"{copy}/", recursive=True, batch_size=8)
        _, gain = time_reports(server, str(copy), count)
        used = run(
            server,
            *("fleet", "query", PREFIX, "--format", "csv"),
            "SELECT count(*), median(swr) FROM transmissions",
        )
        print(f"query over all transmissions: {used.wall_s:.1f} s: {used.output.split()[-1]}")
        if raw:
            recompute(folder, server, ids[0], pushed[0].pairs)
    assert wall_s <= MOST_S, "the report takes too long"
    assert gain >= LEAST_GAIN, "two workers gain too little"


def time_reports(server: ObjectStore, archive: str, count: int) -> tuple[float, float]:
    """Report with one worker and with two; return the wall time with two and the gain."""
    results = {}
    for number in (1, 2):
        before_s = server_s()
        used = run(server, "fleet", "report", archive, "--json", "--workers", str(number))
        fleet = json.decode(used.output)
        assert len(fleet["stations"]) == count
        assert not any(line["summary"]["error"] for line in fleet["stations"])
        results[number] = used.wall_s
        print(
            f"report on {archive}, {number} worker(s): {used.wall_s:.1f} s, {used.cpu_s:.1f} s CPU,"
            f" {used.cpu_s / count * 1e3:.0f} ms a station, largest process"
            f" {used.largest_mb:.0f} MB, object store {server_s() - before_s:.1f} s CPU",
            flush=True,
        )
    gain = results[1] / results[2]
    print(f"2 workers are {gain:.2f} times as fast as 1", flush=True)
    return results[2], gain


def recompute(folder: Path, server: ObjectStore, station_id: str, pairs: int) -> None:
    """Derive one station again by both ways, and compare."""
    from tests.test_push import dump  # needs pytest

    (folder / "own.yaml").write_text(DAY.format(seed=0).replace("0.sqlite", "station-0.sqlite"))
    begin_s = time.monotonic()
    mismatchd("recompute", "-c", folder / "own.yaml", "--jobs", "2")
    own_s = time.monotonic() - begin_s
    for workers in ("1", "2"):
        target = f"{PREFIX}-again-{time.time_ns()}"  # none that an earlier run has filled
        used = run(
            server,
            *("fleet", "recompute", PREFIX, "-o", target, "--station", station_id),
            *("--workers", workers),
            key=("admin", "admin-secret"),
        )
        print(
            f"recompute of {pairs / 1e6:.1f} million pairs, {workers} worker(s):"
            f" {used.wall_s:.0f} s (the station's own with 2 jobs: {own_s:.0f} s),"
            f" {used.largest_mb:.0f} MB",
            flush=True,
        )
    os.environ |= {"AWS_ENDPOINT_URL": server.url, "AWS_ACCESS_KEY_ID": HUB_KEY[0]}
    os.environ["AWS_SECRET_ACCESS_KEY"] = HUB_KEY[1]
    (folder / "back.yaml").write_text(DAY.format(seed=0).replace("0.sqlite", "back.sqlite"))
    mismatchd("restore", "-c", folder / "back.yaml", target, "--id", station_id)
    assert dump(folder / "back.sqlite") == dump(folder / "station-0.sqlite")
    print("rows and pairs are those of the station's own recompute")


def print_pushes(what: str, pushed: Sequence[Pushed], days: int) -> None:
    """Print what a station and day cost, when it is pushed daily."""
    if not pushed:
        return
    table = np.array(pushed)
    objects, size, cpu_s, day_objects, day_bytes, day_cpu_s, pairs = table.mean(axis=0)
    print(
        f"{what}, a station: {objects:.0f} objects, {size / 1e6:.2f} MB, {cpu_s:.2f} s CPU"
        f" ({pairs / 1e6:.1f} million pairs); one more day, at the month's end: {day_objects:.0f}"
        f" requests, {day_bytes / 1e3:.0f} kB, {day_cpu_s:.2f} s CPU",
        flush=True,
    )


if __name__ == "__main__":
    main()
