"""Prints what a review of a fault costs over a busy year: its time, memory, and waits of others.

    python -m tests.bench.review [--years 1] [--kinds 3]

The store is that of `tests.bench.report`; the fault has an open alarm of each of some kinds, none
with a cause, so that all are diagnosed. A thread that wakes every millisecond, as capture does,
notes how late it is: without a review, and during one.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import threading
import time
from contextlib import closing
from pathlib import Path

import numpy as np

from logger.config.load import FaultsOptions
from logger.rows import AlarmKind
from logger.service.fault_review import YOUNG_S, FaultReviewer
from logger.store.regroup import regroup
from logger.store.writer import StoreWriter
from logger.utc import DAY_NS
from tests import drift_store
from tests.bench.report import A_DAY, CHANNELS, SECONDS
from tests.trends import days

KINDS = (AlarmKind.HIGH_SWR, AlarmKind.SUDDEN_CHANGE, AlarmKind.BASELINE_SHIFT)
TICK_S = 0.001
ALONE_S = 3.0
REVIEWS = 5


def fill(path: Path, years: float, kinds: int) -> None:
    """A busy store whose last evening raised alarms of one fault."""
    span = round(365.25 * years)
    used = [days(span, channel=one, seed=one, used=1.0, slope=0.03) for one in CHANNELS]
    drift_store.write(path, used, A_DAY)
    print(f"{drift_store.put_seconds(path, SECONDS):,} rows of seconds")
    raised_ns = int(used[0].day[-1]) * DAY_NS
    for place, kind in enumerate(KINDS[:kinds]):
        drift_store.put_alarm(path, raised_ns + place, kind, "warning", "for the bench")
    with closing(StoreWriter.open(path)) as store:
        assert regroup(store, FaultsOptions()) == 1


class Ticker(threading.Thread):
    """Wakes every millisecond and notes how late it was, in milliseconds."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.late_ms: list[float] = []
        self.ending = False

    def run(self) -> None:
        while not self.ending:
            begun = time.perf_counter()
            time.sleep(TICK_S)
            self.late_ms.append(1e3 * (time.perf_counter() - begun - TICK_S))

    def stop(self) -> str:
        self.ending = True
        self.join()
        p50, p99 = np.percentile(self.late_ms, [50, 99])
        return f"late by {p50:.2f} ms, p99 {p99:.2f} ms, at most {max(self.late_ms):.2f} ms"


def cpu_s() -> float:
    """CPU seconds of ended processes that this one started."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--years", type=float, default=1)
    parser.add_argument("--kinds", type=int, default=len(KINDS))
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "station.sqlite"
        fill(path, arguments.years, arguments.kinds)
        ticker = Ticker()
        ticker.start()
        time.sleep(ALONE_S)
        print(f"alone: {ticker.stop()}")
        for _ in range(REVIEWS):
            moment = 0.0
            reviewer = FaultReviewer(path, lambda: moment)  # noqa: B023 - called in this round
            reviewer.step()
            moment = 10 * YOUNG_S[1]
            ticker = Ticker()
            ticker.start()
            begun, former_s = time.perf_counter(), cpu_s()
            reviewer.step()
            taken_s = time.perf_counter() - begun
            print(
                f"review: {taken_s:.2f} s, {cpu_s() - former_s:.2f} s of CPU;"
                f" others {ticker.stop()}"
            )
        usage = resource.getrusage(resource.RUSAGE_CHILDREN)
        print(f"memory of the process: {usage.ru_maxrss / 1024:.0f} MB at most")


if __name__ == "__main__":
    main()
