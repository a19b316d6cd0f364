"""Prints how much faster `recompute` is with several workers than with one, on a long archive, and
that the rows are the same.

    python -m tests.bench.recompute_jobs [million pairs] [jobs]
"""

from __future__ import annotations

import hashlib
import os
import resource
import shutil
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

import msgspec

from drivers.simulated.driver import SimulatedOptions
from logger.calibration.coupler import Coupler
from logger.calibration.file import CalibrationFile, dump
from logger.calibration.simulated import calibration
from logger.config.load import Config, load
from logger.pipeline import Pipeline
from logger.recompute import recompute
from logger.store.writer import StoreWriter
from tests.bench import archive

RECORDED = 6_000_000  # pairs of the station, 100 minutes, which are repeated
COMMIT_PAIRS = 4000


def repeated_station(path: Path, pairs: int, config: Config) -> SimulatedOptions:
    """Write a store with at least so many archived pairs: the same hours, again and again."""
    whole, options = archive.station(RECORDED, "am", 1000)
    content = calibration(options.coupler, options.adc)
    store = StoreWriter.open(path)
    store.insert_calibration(Coupler(content).id, dump(content))
    pipeline = Pipeline(config, Coupler(content))
    for at in range(0, len(whole), COMMIT_PAIRS):
        store.write(pipeline.process(whole[at : at + COMMIT_PAIRS]))
        store.archive.merge()
    store.write(pipeline.finish())
    period_ns = int(whole.time_ns[-1] - whole.time_ns[0]) + 60_000_000_000
    with store.database.transaction():
        for turn in range(1, -(-pairs // store.archive.pairs())):
            store.database.execute(
                "INSERT INTO segments (first_ns, last_ns, pairs, merged, data)"
                " SELECT first_ns + ?1, last_ns + ?1, pairs, merged, data FROM segments"
                " WHERE first_ns < ?2",
                (turn * period_ns, int(whole.time_ns[0]) + period_ns),
            )
    store.close()
    return options


def digest(path: Path) -> str:
    """Return a digest of all rows."""
    connection = sqlite3.connect(path)
    total = hashlib.sha256()
    for line in connection.iterdump():
        total.update(line.encode())
    connection.close()
    return total.hexdigest()


def other(content: CalibrationFile) -> CalibrationFile:
    """Return another calibration, by which all rows change."""
    forward = msgspec.structs.replace(
        content.forward, coupling_db=content.forward.coupling_db + 0.2
    )
    return msgspec.structs.replace(content, forward=forward)


def derive(path: Path, config: Config, content: CalibrationFile, jobs: int) -> float:
    """Return pairs a second of wall time; print it with the CPU time of all processes."""
    with StoreWriter.open(path) as store:
        begun, used = time.perf_counter(), (own_s(), children_s())
        summary, _ = recompute(store, config, Coupler(content), jobs=jobs)
        spent = time.perf_counter() - begun
        own, others = own_s() - used[0], children_s() - used[1]
    print(
        f"{jobs} jobs: {summary.pairs / spent / 1e6:.2f} M pairs/s, {spent:.1f} s; CPU ns a pair:"
        f" {1e9 * own / summary.pairs:.0f} of the process that writes,"
        f" {1e9 * others / summary.pairs:.0f} of workers"
    )
    return summary.pairs / spent


def own_s() -> float:
    """Return the CPU time of this process."""
    return time.process_time()


def children_s() -> float:
    """Return the CPU time of the processes that have ended."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def pairs_a_second(pairs: int, jobs: int) -> float:
    """Return how many pairs are derived again in a second of wall time, all rewritten."""
    with tempfile.TemporaryDirectory() as name:
        path, config, content = prepared(Path(name), pairs, jobs)
        return derive(path, config, other(content), jobs)


def prepared(folder: Path, pairs: int, jobs: int) -> tuple[Path, Config, CalibrationFile]:
    """Return a store whose rows have been derived, with its configuration and calibration."""
    (folder / "config.yaml").write_text("driver: {kind: simulated}\n")
    config = load(folder / "config.yaml")
    path = folder / "station.sqlite"
    options = repeated_station(path, pairs, config)
    content = calibration(options.coupler, options.adc)
    derive(path, config, content, jobs)
    return path, config, content


def main(pairs: int, most: int) -> int:
    """Print all figures; 1 if rows differ."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path, config, content = prepared(folder, pairs, most)
        rates, digests = [], []
        for jobs in range(1, most + 1):
            copy = Path(shutil.copy(path, folder / f"{jobs}.sqlite"))
            rates.append(derive(copy, config, other(content), jobs))
            digests.append(digest(copy))
        print(
            ", ".join(f"{rate / rates[0]:.2f}" for rate in rates),
            f"times as fast with 1 to {most}; {os.cpu_count()} cores",
        )
        print("rows are the same" if len({*digests}) == 1 else "ROWS DIFFER")
        return int(len({*digests}) > 1)


if __name__ == "__main__":
    arguments = [int(word) for word in sys.argv[1:]]
    sys.exit(main(1_000_000 * (arguments[:1] or [30])[0], (arguments[1:2] or [2])[0]))
