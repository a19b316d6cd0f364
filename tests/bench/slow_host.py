"""Prints what a slow host does: 15 % of a core, 1,000 pairs a second, keyed half of the time.

python -m tests.bench.slow_host [alarms]

The daemon runs in a control group (version 1, as root) whose quota is 15 ms of CPU time in each
0.1 s, as `CPUQuota=15%` of a unit is. Nothing may be dropped, and alarms take less than 60 ms.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import psutil

from logger.live.status import ask
from tests.bench import latency

GROUP = Path("/sys/fs/cgroup/cpu/mismatchd-bench")
SHARE, PERIOD_US = 0.15, 100_000
RATE, REST_S = 1000, 2.4
MOST_MS = 60.0


@contextlib.contextmanager
def slowed(store: Path) -> Iterator[None]:
    """Limit the daemon that this process has started; print what it dropped."""
    GROUP.mkdir(exist_ok=True)
    (GROUP / "cpu.cfs_period_us").write_text(str(PERIOD_US))
    (GROUP / "cpu.cfs_quota_us").write_text(str(round(SHARE * PERIOD_US)))
    daemons = psutil.Process().children()
    for daemon in daemons:
        (GROUP / "cgroup.procs").write_text(str(daemon.pid))
    before = [sum(daemon.cpu_times()[:2]) for daemon in daemons]
    yield
    spent = sum(sum(daemon.cpu_times()[:2]) for daemon in daemons) - sum(before)
    stat = dict(line.split() for line in (GROUP / "cpu.stat").read_text().splitlines())
    state = ask(store)
    assert state is not None
    print(f"{spent:.1f} s of CPU; {stat['nr_throttled']} of {stat['nr_periods']} periods throttled")
    print(f"{state.rows_dropped} rows dropped, {state.gaps} gaps; counted: {dict(state.counters)}")
    for daemon in daemons:
        (GROUP.parent / "cgroup.procs").write_text(str(daemon.pid))


def main() -> int:
    """Print the latencies; return 1 if one is too long."""
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    figures = latency.measure(RATE, repeats, slowed, REST_S)
    p50, p99 = np.percentile(figures, [50, 99])
    print(
        f"{len(figures)} alarms: median {p50:.1f} ms, p99 {p99:.1f} ms, highest {max(figures):.1f}"
    )
    return int(max(figures) > MOST_MS)


if __name__ == "__main__":
    sys.exit(main())
