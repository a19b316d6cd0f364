"""Prints what the whole daemon takes of a core while a bridge sends 1.5 MB/s of frames: more than
USB at full speed carries.

A writer fills a pseudo-terminal in blocks of 32 pairs of 16 bits, 5 ms at a time; every other
second the key is down. All of it counts as one transmission, so nothing is spared in between.
"""

from __future__ import annotations

import multiprocessing
import os
import tempfile
import time
from pathlib import Path

import numpy as np
import psutil

from drivers.frames.messages import Identity, Settings
from logger.live.status import ask
from tests.frames_encoder import pack_block, pack_identity
from tests.station import Running, pty, volts, write_config

SECONDS, WARM_S = 12, 3
BAR = 0.12
BLOCK, PERIOD_US = 32, 3
BURST_S = 0.005
SETTINGS = Settings(1, PERIOD_US, BLOCK, 1, 16, 0, 65535, 5000, 0)


def frames() -> list[bytes]:
    """So many bursts as there are in all the seconds."""
    rng = np.random.default_rng(1)
    keyed_v = np.array([volts(4.0), volts(0.1)])
    bursts = []
    per_burst = round(BURST_S * 1e6 / PERIOD_US / BLOCK)
    number = 0
    hello = pack_identity(Identity(SETTINGS, 1, 0, "bench"))
    for burst in range(round(SECONDS / BURST_S)):
        mean_v = keyed_v * (int(burst * BURST_S) % 2)
        codes = mean_v / SETTINGS.volts + rng.uniform(0, 20, (per_burst * BLOCK, 2))
        parts = [hello] if burst % 200 == 0 else []
        for i in range(per_burst):
            pairs = codes[i * BLOCK : (i + 1) * BLOCK].astype(np.uint16)
            parts.append(pack_block(SETTINGS, number, number * PERIOD_US, pairs))
            number += BLOCK
        bursts.append(b"".join(parts))
    return bursts


def write(master: int, bursts: list[bytes]) -> None:
    """Send each burst when its time has come."""
    per_burst_s = round(BURST_S * 1e6 / PERIOD_US / BLOCK) * BLOCK * PERIOD_US / 1e6
    start = time.perf_counter()
    for k, burst in enumerate(bursts):
        time.sleep(max(0.0, start + k * per_burst_s - time.perf_counter()))
        while burst:
            burst = burst[os.write(master, burst) :]


def share_of_core() -> float:
    """Return the share of a core that the daemon takes; fail if anything is dropped."""
    bursts = frames()
    with tempfile.TemporaryDirectory() as folder, pty() as (master, port):
        config = write_config(
            Path(folder), port, driver=f"{{kind: frames, port: {port}, baud: 12000000}}"
        )
        running = Running(config)
        try:
            writer = multiprocessing.Process(target=write, args=(master, bursts))
            time.sleep(1.5)
            writer.start()
            time.sleep(WARM_S)
            process = psutil.Process(running.process.pid)
            before, start = process.cpu_times(), time.perf_counter()
            time.sleep(SECONDS - WARM_S - 1)
            after, end = process.cpu_times(), time.perf_counter()
            status = ask(config.parent / "data/station.sqlite")
            assert status is not None
            writer.join()
            running.stop()
        finally:
            running.kill()
    used = after.user + after.system - before.user - before.system
    assert not status.counters["lost"], status
    assert not status.rows_dropped, status
    sent = sum(map(len, bursts)) / SECONDS
    print(f"{sent / 1e6:.2f} MB/s, {1e6 / PERIOD_US:,.0f} pairs/s")
    return float(used / (end - start))


def main() -> None:
    share = share_of_core()
    verdict = "met" if share < BAR else "MISSED"
    print(f"{100 * share:.0f} % of a core, bar under {100 * BAR:.0f}: {verdict}")


if __name__ == "__main__":
    main()
