"""Prints the latency of alarms while the disk stalls: to the event line and to a program's start.

python -m tests.bench.stalls [repeats]

Each is the first alarm after the disk has stopped to respond, in a daemon of its own.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from tests.deadlines import wait_until
from tests.disk import Disk
from tests.servers import needed
from tests.station import Running, pty, write_config
from tests.test_end_to_end import HANG, QUIET, play, play_until_read
from tests.test_stalls import GOOD, WATCHDOG, alarm

# A program that starts at once: an interpreter would take longer than all the rest.
NOTER = r"""
#include <fcntl.h>
#include <stdio.h>
#include <time.h>
#include <unistd.h>
int main(int count, char **given)
{
    struct timespec now;
    char text[64];
    clock_gettime(CLOCK_MONOTONIC, &now);
    int fd = open(given[1], O_WRONLY | O_CREAT | O_APPEND, 0600);
    return write(fd, text, sprintf(text, "%ld.%09ld\n", (long)now.tv_sec, now.tv_nsec)) < 0;
}
"""


def measure(stalls: bool) -> tuple[float, float]:
    """Return the latency of the event line and of the program's start, seconds."""
    with tempfile.TemporaryDirectory() as name, pty() as (master, port):
        folder = Path(name)
        (folder / "data").mkdir()
        disk = Disk(folder, folder / "data")
        noter, notes = folder / "noter", folder / "notes"
        compiler = [needed("gcc"), "-x", "c", "-O2", "-o", str(noter), "-"]
        subprocess.run(compiler, input=NOTER.encode(), check=True)
        config = write_config(
            folder,
            port,
            transmission=HANG,
            watchdog=WATCHDOG,
            notify=f"[{{kind: command, command: ['{noter}', '{notes}'], detail: alarms}}]",
        )
        daemon = Running(config, **disk.environ)
        try:
            play_until_read(daemon, config, master)
            play(master, 500, [(0.5, QUIET), (2.2, GOOD)])
            disk.stall(stalls)
            completed_s = alarm(master, daemon)
            event_s = next(moment for moment, event in daemon.events if event["event"] == "alarm")
            wait_until(lambda: notes.exists() and notes.read_text())
            return event_s - completed_s, float(notes.read_text().split()[0]) - completed_s
        finally:
            disk.stall(stalls=False)
            daemon.kill()


def main(repeats: int) -> None:
    """Print the figures, with the disk stalled and without."""
    for stalls in (True, False):
        latencies_ms = 1e3 * np.array([measure(stalls) for _ in range(repeats)])
        for name, column in zip(("event line", "program"), latencies_ms.T, strict=True):
            p50, p99 = np.percentile(column, [50, 99])
            print(
                f"disk {'stalled' if stalls else 'well':8} {name:11} {repeats} alarms,"
                f" median {p50:.2f} ms, p99 {p99:.2f} ms, highest {column.max():.2f} ms",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
