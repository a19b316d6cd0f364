"""Prints what the daemon costs at 200 pairs a second while nobody transmits.

python -m tests.bench.idle [seconds]
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import psutil

from tests.station import Running, line, pty, write_config
from tests.test_end_to_end import WRITER


def busy_s(pid: int) -> float:
    """Seconds on a processor of all threads, from the scheduler, which counts exactly; the usual
    process times are sampled at clock ticks and blur what wakes up often and shortly."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9


def main(seconds: float) -> None:
    """Measure for `seconds` after a warm-up."""
    with tempfile.TemporaryDirectory() as folder, pty() as (master, name):
        config = write_config(Path(folder), name)
        daemon = Running(config)
        writer = subprocess.Popen(
            [
                sys.executable,
                "-c",
                WRITER,
                str(master),
                "200",
                json.dumps([[seconds + 20, line(0, 0).decode()]]),
            ],
            pass_fds=[master],
            stdout=subprocess.DEVNULL,
        )
        try:
            daemon.wait_reading(config)
            time.sleep(5)
            process = psutil.Process(daemon.process.pid)
            before = busy_s(process.pid)
            time.sleep(seconds)
            busy = busy_s(process.pid) - before
            resident = process.memory_info().rss / 2**20
            print(f"idle: {100 * busy / seconds:.2f} % of one core, {resident:.1f} MiB resident")
        finally:
            writer.kill()
            writer.wait()
            daemon.kill()


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 30.0)
