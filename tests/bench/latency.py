"""Prints alarm latency: from the write of the pair that completes the hold time to the event line.

python -m tests.bench.latency [repeats]
"""

from __future__ import annotations

import os
import select
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path

import numpy as np

from tests.station import Running, line, pty, write_config

HOLD_S = 0.05
RATES = (1000, 200)


def measure(
    rate: int,
    repeats: int,
    beside: Callable[[Path], AbstractContextManager[object]] = lambda _: nullcontext(),
    rest_s: float = 0.0,
) -> list[float]:
    """Latency of each of `repeats` alarms, milliseconds; `beside` goes on meanwhile, given the
    store. Nobody transmits for `rest_s` before each."""
    # SWR 5, where the time is the hold time.
    quiet, good, bad = line(0, 0), line(4.0, 0.05), line(4.0, 4.0 * (2 / 3) ** 2)
    with tempfile.TemporaryDirectory() as folder, pty() as (master, name):
        config = write_config(Path(folder), name, watchdog="{high_reflected_power: {limit_w: 9}}")
        daemon = Running(config)
        at = time.perf_counter()

        def send(data: bytes, count: int) -> list[float]:
            nonlocal at
            moments = []
            for _ in range(count):
                while (wait := at - time.perf_counter()) > 0:
                    # An event line is noted the moment it can be read.
                    if select.select([daemon.process.stdout], [], [], wait)[0]:
                        daemon.poll()
                os.write(master, data)
                moments.append(time.perf_counter())
                at += 1 / rate
            return moments

        def alarm() -> float:
            nonlocal at
            at = time.perf_counter()
            send(quiet, round(rest_s * rate))
            send(good, round(2.3 * rate))
            begun = len(daemon.events)
            at = max(at, time.perf_counter())  # a starved sender does not make up for it
            moments = send(bad, round(0.1 * rate) + 1)
            completing = next(m for m in moments if m - moments[0] >= HOLD_S - 0.5 / rate)
            told = [
                moment for moment, event in daemon.events[begun:] if event.get("change") == "raised"
            ]
            return 1e3 * (told[0] - completing) if told else np.inf

        try:
            send(quiet, 3 * rate)
            with beside(Path(folder) / "data/station.sqlite"):
                result = [alarm() for _ in range(repeats)]
        finally:
            daemon.kill()
    return result


if __name__ == "__main__":
    for rate_ in RATES:
        figures = measure(rate_, int(sys.argv[1]) if len(sys.argv) > 1 else 40)
        p50, p99, p999 = np.percentile(figures, [50, 99, 99.9])
        print(
            f"{rate_:5} pairs/s: {len(figures)} alarms, median {p50:.2f} ms, p99 {p99:.2f} ms,"
            f" p99.9 {p999:.2f} ms, highest {max(figures):.2f} ms, lowest {min(figures):.2f} ms"
        )
