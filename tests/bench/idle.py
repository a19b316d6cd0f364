"""Prints what the daemon costs at 200 pairs a second while nobody transmits, beside bare readers.

python -m tests.bench.idle [seconds]

A bare reader is a process that only sleeps and reads the same bytes, in the same seconds: once for
each pair, and as seldom as the daemon does. Processors differ, the ratio hardly does.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import psutil

from logger.service.capture_loop import QUIET_LINGER_S
from tests.station import Running, line, pty, write_config
from tests.test_end_to_end import WRITER

RATE = 200
READER = """
import os, sys, time
descriptor = os.open(sys.argv[1], os.O_RDONLY | os.O_NOCTTY)
while True:
    time.sleep(float(sys.argv[2]))
    os.read(descriptor, 65536)
"""


def busy_s(pid: int) -> dict[str, float]:
    """Seconds on a processor by thread, from the scheduler, which counts exactly; the usual process
    times are sampled at clock ticks and blur what wakes up often and shortly."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return {
        f"{(task / 'comm').read_text().strip()} {task.name}": int(
            (task / "schedstat").read_text().split()[0]
        )
        / 1e9
        for task in tasks
    }


def wakes(pid: int) -> int:
    """How often the threads have gone to sleep."""
    texts = ((task / "status").read_text() for task in Path(f"/proc/{pid}/task").iterdir())
    return sum(int(text.split("\nvoluntary_ctxt_switches:")[1].split()[0]) for text in texts)


@contextlib.contextmanager
def fed(master: int, seconds: float) -> Iterator[None]:
    """Lines of a quiet station at a pseudo-terminal."""
    script = json.dumps([[seconds, line(0, 0).decode()]])
    words = [sys.executable, "-c", WRITER, str(master), str(RATE), script]
    writer = subprocess.Popen(words, pass_fds=[master], stdout=subprocess.DEVNULL)
    try:
        yield
    finally:
        writer.kill()
        writer.wait()


@contextlib.contextmanager
def bare_reader(every_s: float, seconds: float) -> Iterator[int]:
    """The pid of a process that reads the same lines."""
    with pty() as (master, name), fed(master, seconds):
        reader = subprocess.Popen([sys.executable, "-c", READER, name, str(every_s)])
        try:
            yield reader.pid
        finally:
            reader.kill()
            reader.wait()


def measure(seconds: float) -> tuple[float, float]:
    """Measure for `seconds` after a warm-up, and print it.

    Return CPU time over that of the bare reader of each pair, and resident MiB.
    """
    long_s = seconds + 60
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        master, name = stack.enter_context(pty())
        config = write_config(folder, name)
        daemon = Running(config)
        stack.callback(daemon.kill)
        stack.enter_context(fed(master, long_s))
        daemon.wait_reading(config)
        pids = {
            "daemon": daemon.process.pid,
            "bare reader of each pair": stack.enter_context(bare_reader(1 / RATE, long_s)),
            f"bare reader every {1e3 * QUIET_LINGER_S:.0f} ms": stack.enter_context(
                bare_reader(QUIET_LINGER_S, long_s)
            ),
        }
        time.sleep(5)
        before = {pid: (busy_s(pid), wakes(pid)) for pid in pids.values()}
        time.sleep(seconds)
        shares: dict[str, float] = {}
        residents = []
        for title, pid in pids.items():
            former, former_wakes = before[pid]
            spent = {name: busy - former.get(name, 0.0) for name, busy in busy_s(pid).items()}
            shares[title] = sum(spent.values())
            resident = psutil.Process(pid).memory_info().rss / 2**20
            residents.append(resident)
            print(
                f"{title}: {100 * shares[title] / seconds:.2f} % of one core,"
                f" {(wakes(pid) - former_wakes) / seconds:.0f} wake-ups a second,"
                f" {resident:.1f} MiB resident"
            )
            if title == "daemon":
                for thread, busy in sorted(spent.items(), key=lambda item: -item[1]):
                    print(f"  {thread}: {100 * busy / seconds:.2f} %")
        mine, *bare = shares.values()
        print("daemon over bare reader: " + ", ".join(f"{mine / other:.1f}" for other in bare))
        return mine / bare[0], residents[0]


if __name__ == "__main__":
    measure(float(sys.argv[1]) if len(sys.argv) > 1 else 30.0)
