"""Prints what the live feed costs the daemon at 200 pairs a second: CPU and alarm latency without
anybody, with one who reads, and with sixteen of whom half never read.

python -m tests.bench.live [seconds] [alarms]
"""

from __future__ import annotations

import json
import select
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import numpy as np

from logger.live.client import connect
from tests.bench.idle import busy_s
from tests.bench.latency import measure
from tests.station import Running, line, pty, write_config
from tests.test_end_to_end import WRITER

RATE = 200
CROWDS = {"nobody": (0, 0), "one": (1, 0), "sixteen, half of them slow": (8, 8)}
ROUNDS = 3


@contextmanager
def looking_on(store: Path, reading: int, slow: int) -> Iterator[list[int]]:
    """So many clients that read, and so many that never do; how many lines were read in all. Who
    is cut off comes again."""
    heard, ended = [0], threading.Event()

    def read() -> None:
        with connect(store) as caller:
            while not ended.is_set():
                if select.select([caller], [], [], 0.1)[0]:
                    heard[0] += caller.recv(65536).count(b"\n")

    def hang() -> None:
        while not ended.is_set():
            with connect(store):
                ended.wait(8.0)

    threads = [threading.Thread(target=read) for _ in range(reading)]
    threads += [threading.Thread(target=hang) for _ in range(slow)]
    for thread in threads:
        thread.start()
        time.sleep(0.02)
    try:
        yield heard
    finally:
        ended.set()
        for thread in threads:
            thread.join()


def cpu(forward_w: float, seconds: float) -> dict[str, tuple[float, float]]:
    """Per cent of a core and lines a second that were read, by who looks on, in turn."""
    busy: dict[str, list[tuple[float, float]]] = {name: [] for name in CROWDS}
    with tempfile.TemporaryDirectory() as folder, pty() as (master, name), ExitStack() as stack:
        config = write_config(Path(folder), name)
        daemon = Running(config)
        stack.callback(daemon.kill)
        text = line(forward_w, 0.01 * forward_w).decode()
        plan = json.dumps([[3600, text]])
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(master), str(RATE), plan],
            pass_fds=[master],
            stdout=subprocess.DEVNULL,
        )
        stack.callback(writer.wait)
        stack.callback(writer.kill)
        daemon.wait_reading(config)
        time.sleep(4)
        for _ in range(ROUNDS):
            for crowd, counts in CROWDS.items():
                with looking_on(Path(folder) / "data/station.sqlite", *counts) as heard:
                    before, begun, heard_before = busy_s(daemon.process.pid), time.time(), heard[0]
                    time.sleep(seconds)
                    took = time.time() - begun
                    busy[crowd].append(
                        (
                            100 * (busy_s(daemon.process.pid) - before) / took,
                            (heard[0] - heard_before) / took,
                        )
                    )
    return {crowd: tuple(np.median(values, axis=0)) for crowd, values in busy.items()}


def main(seconds: float, alarms: int) -> None:
    """Print all figures."""
    for words, watts in (("key up", 0.0), ("key down", 4.0)):
        for crowd, (percent, lines) in cpu(watts, seconds).items():
            print(f"{words}, {crowd}: {percent:.2f} % of one core, {lines:.1f} lines/s read")
    for crowd, counts in CROWDS.items():
        figures = measure(RATE, alarms, lambda store, counts=counts: looking_on(store, *counts))
        p50, p99 = np.percentile(figures, [50, 99])
        print(
            f"alarms, {crowd}: {alarms} of them, median {p50:.2f} ms, p99 {p99:.2f} ms,"
            f" highest {max(figures):.2f} ms"
        )


if __name__ == "__main__":
    main(
        float(sys.argv[1]) if len(sys.argv) > 1 else 10.0,
        int(sys.argv[2]) if len(sys.argv) > 2 else 40,
    )
