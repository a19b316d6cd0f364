"""Alarm to broker: from the write of the pair that completes the hold time until a subscriber of a
real mosquitto has the message.

    python -m tests.bench.notify [repeats]

One alarm of a kind a minute is told as it happens, so the minute is made short in the daemon that
is measured (`QUIET_S` 0.1 s); nothing else about it is changed.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path

import numpy as np

from tests.counterparts import Broker, Heard, Subscriber, broker, subscriber
from tests.deadlines import wait_until
from tests.station import Running, line, pty, write_config

HOLD_S = 0.05
RATE = 200
IMPATIENT = """\
import runpy, sys
import logger.notify.message_queue
logger.notify.message_queue.QUIET_S = 0.1
sys.argv = sys.argv[sys.argv.index('logger.cli'):]
runpy.run_module('logger.cli', run_name='__main__')
"""


def measure(
    folder: Path, to: Broker, there: Subscriber, repeats: int
) -> tuple[list[float], list[float]]:
    """Milliseconds of each of `repeats` alarms: all the way, and from the notifier on."""
    # SWR 5, where the time is the hold time.
    quiet, good, bad = line(0, 0), line(4.0, 0.05), line(4.0, 4.0 * (2 / 3) ** 2)
    whole: list[float] = []
    last: list[float] = []
    with pty() as (master, name):
        config = write_config(
            folder,
            name,
            watchdog="{high_reflected_power: {limit_w: 9}}",
            notify=f"[{{kind: mqtt, detail: alarms, host: 127.0.0.1, port: {to.port}}}]",
        )
        daemon = Running(config, prefix=[sys.executable, "-c", IMPATIENT])
        at = time.perf_counter()

        def send(data: bytes, count: int) -> list[float]:
            nonlocal at
            moments = []
            for _ in range(count):
                time.sleep(max(0.0, at - time.perf_counter()))
                os.write(master, data)
                moments.append(time.perf_counter())
                at = max(at + 1 / RATE, time.perf_counter())  # a late pair is not caught up with
            return moments

        try:
            send(quiet, 3 * RATE)
            for _ in range(repeats):
                at = time.perf_counter()
                send(good, round(2.3 * RATE))
                daemon.poll()
                begun = len(there.heard)
                moments = send(bad, round(0.2 * RATE) + 1)
                completing = next(m for m in moments if m - moments[0] >= HOLD_S - 0.5 / RATE)

                def raised(begun: int = begun) -> list[Heard]:
                    return [
                        heard
                        for heard in there.heard[begun:]
                        if heard.payload.get("change") == "raised"
                    ]

                told = wait_until(raised, 2.0)
                whole.append(1e3 * (told[0].at_s - completing) if told else np.inf)
                if told:
                    written = datetime.fromisoformat(told[0].payload["utc"]).timestamp()
                    last.append(1e3 * (told[0].utc_s - written))
        finally:
            daemon.kill()
    return whole, last


def main() -> None:
    """Print the figures."""
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with broker(folder) as to, subscriber(to) as there:
            found = measure(folder, to, there, repeats)
    for what, figures in zip(("from the pair", "of it from the notifier on"), found, strict=True):
        p50, p99 = np.percentile(figures, [50, 99])
        print(
            f"{len(figures)} alarms, {what:26} median {p50:6.1f} ms, p99 {p99:6.1f} ms,"
            f" highest {max(figures):6.1f} ms"
        )


if __name__ == "__main__":
    main()
