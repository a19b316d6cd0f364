"""The rows of the table that `python -m tests.bench` prints.

To add a row, write a function without arguments that returns one figure, and name it in LIMITS
with its bar. It runs `repeats` times; the median counts.
"""

from __future__ import annotations

import functools
import math
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import NamedTuple

import numpy as np

from drivers.contract import SampleBlock
from logger.config.load import load
from logger.service.keeper import QUIET_S
from logger.store.writer import StoreWriter
from tests.bench import archive, bulk, card_wear, frames_daemon, latency, recompute_jobs, report
from tests.bench import idle as idle_bench
from tests.station import write_config

ROOT = Path(__file__).parents[2]
PAIRS, LOOP_PAIRS = 3_000_000, 200_000
LOOP = "x plain loop"
ENTROPY = "x entropy of differences"


class Limit(NamedTuple):
    """A row: what is measured, its bar, the unit of both, and how many times it is measured.

    At most `bar` is wanted; at least, if `is_least`. `before` is what it was when the bar was set.
    """

    name: str
    before: str
    bar: float
    unit: str
    measure: Callable[[], float]
    is_least: bool = False
    repeats: int = 3

    @property
    def wanted(self) -> str:
        """The bar in words."""
        return f"{'>=' if self.is_least else '<='} {self.bar:g} {self.unit}"

    def is_met(self, value: float) -> bool:
        """True if a figure meets the bar."""
        return value >= self.bar if self.is_least else value <= self.bar


@functools.cache
def inputs() -> Path:
    """Return a folder with the pairs as CSV and as a recording, and a short table for the loop."""
    folder = Path(tempfile.mkdtemp(prefix="bench-"))
    bulk.write_files(folder, PAIRS)
    (folder / "short").mkdir()
    bulk.write_files(folder / "short", LOOP_PAIRS)
    return folder


def loop_ns() -> float:
    """Return the CPU time of the plain loop, ns a pair."""
    table = inputs() / "short" / "pairs.csv"
    with tempfile.TemporaryDirectory() as folder:
        begun = time.process_time_ns()
        bulk.plain_loop(table, Path(folder) / "loop.sqlite")
        return (time.process_time_ns() - begun) / LOOP_PAIRS


def rows_of(file: str) -> float:
    """Return how many times as fast as the plain loop the daemon stores the rows of a file.

    This is by CPU time, since others may use the cores.
    """
    with tempfile.TemporaryDirectory(dir=inputs()) as name:
        folder = Path(name)
        config = write_config(folder, "", driver=f"{{kind: replay, path: {inputs() / file}}}")
        begun = time.process_time_ns()
        bulk.whole(config)
        whole_ns = (time.process_time_ns() - begun) / PAIRS
    return loop_ns() / whole_ns


def recompute_over_loop() -> float:
    """Return how many times as fast as the plain loop pairs are derived again, all rewritten."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "config.yaml").write_text("driver: {kind: simulated}\n")
        config = load(folder / "config.yaml")
        whole, options = archive.station(1_500_000, "am", 1000)
        return archive.derived("rows", whole, options, config, folder) * loop_ns() * 1e-9


def shared_recompute_over_loop() -> float:
    """Return the same with two worker processes on a longer archive, by wall time."""
    return recompute_jobs.pairs_a_second(24_000_000, 2) * loop_ns() * 1e-9


def frames_share() -> float:
    """Return the share of a core, %, that the daemon takes for 1.5 MB/s of frames."""
    return 100 * frames_daemon.share_of_core()


@functools.cache
def archived(mode: str) -> SampleBlock:
    """Return archived pairs of the simulated station."""
    with tempfile.TemporaryDirectory() as name:
        config_path = Path(name) / "config.yaml"
        config_path.write_text("driver: {kind: simulated}\n")
        whole, options = archive.station(3_000_000, mode)
        return archive.archived(whole, options, load(config_path))


def carrier_bytes() -> float:
    """Return the bytes of the file of a pair of a carrier, over eleven days of two hours."""
    with tempfile.TemporaryDirectory() as name:
        return archive.in_file("carrier", archive.carrier(16_000_000), Path(name))


def bytes_over_entropy(mode: str) -> float:
    """Return the bytes of the file that a pair of speech takes over the entropy of differences."""
    block = archived(mode)
    with tempfile.TemporaryDirectory() as name:
        size = archive.in_file(mode, block, Path(name))
    return size / archive.entropy(block, differences=True)


@functools.cache
def idle() -> tuple[float, float]:
    """Return CPU time over that of a bare reader, and resident MiB, of an idle daemon."""
    return idle_bench.measure(30.0)


def alarm_ms(percentile: float) -> float:
    """Return a percentile of the latency of alarms at 1,000 pairs a second."""
    return float(np.percentile(alarms_ms(), percentile))


@functools.cache
def alarms_ms() -> list[float]:
    """Return the latencies of alarms at 1,000 pairs a second."""
    return latency.measure(1000, 100)


def start_over_bare(command: str) -> float:
    """Return the CPU time of a command, on a store without rows, over that of `python -c ''`."""
    with tempfile.TemporaryDirectory() as name:
        config = write_config(Path(name), "/dev/null")
        StoreWriter.open(Path(name) / "data/station.sqlite").close()
        words = [sys.executable, "-m", "logger.cli", command, "-c", str(config)]
        return min(map(cpu_s, [words] * 5)) / min(map(cpu_s, [[sys.executable, "-c", ""]] * 5))


def environment() -> dict[str, str]:
    """Return the environment of processes that are measured: modules are compiled once."""
    return {name: text for name, text in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


def cpu_s(words: Sequence[str]) -> float:
    """Return the CPU time of a process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(words, capture_output=True, check=False, env=environment())
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def report_s() -> float:
    """Return the wall time of a report on ten years of three channels, as it is asked for daily."""
    with tempfile.TemporaryDirectory() as name:
        config = report.station(Path(name), years=10, channels=report.CHANNELS[:3], seconds=3)
        return report.taken_s(["report", "-c", str(config)], plain=False)


def installed_mb() -> float:
    """Return the size of an environment with the package and all that it depends on, MB."""
    with tempfile.TemporaryDirectory() as name:
        words = [sys.executable, "-m", "venv", name]
        subprocess.run(words, check=True)
        words = [f"{name}/bin/pip", "install", "-q", str(ROOT)]
        subprocess.run(words, check=True)
        return sum(path.lstat().st_size for path in Path(name).rglob("*")) / 1e6


def suite_min() -> float:
    """Return how long the test command takes, min; a minute of it is for a new environment."""
    begun = time.monotonic()
    subprocess.run(["bash", str(ROOT / "tests/run")], check=True, capture_output=True)
    return (time.monotonic() - begun) / 60


def card_mb() -> float:
    """Return what a day of a typical station writes to the card, MB, from two real daemons."""
    with tempfile.TemporaryDirectory(dir=card_wear.ROOT, prefix="card-wear-") as name:
        return card_wear.live(Path(name), QUIET_S)  # one commit of quiet pairs


LIMITS = (
    Limit(
        "CSV bytes to stored rows",
        "4.0 to 4.3",
        12,
        LOOP,
        lambda: rows_of("pairs.csv"),
        is_least=True,
    ),
    Limit(
        "recorded bytes to stored rows", "3.0", 12, LOOP, lambda: rows_of("port.rec"), is_least=True
    ),
    Limit(
        "recompute from raw pairs",
        "5 to 8",
        30,
        LOOP,
        recompute_over_loop,
        is_least=True,
        repeats=1,
    ),
    Limit(
        "recompute from raw pairs, --jobs 2",
        "-",
        30,
        LOOP,
        shared_recompute_over_loop,
        is_least=True,
        repeats=1,
    ),
    Limit("frames at 1.5 MB/s, port to rows", "25", 12, "% of a core", frames_share),
    Limit("archive in the file, carrier", "0.559", 0.55, "B a pair", carrier_bytes, repeats=1),
    Limit(
        "archive in the file, AM", "-", 1.15, ENTROPY, lambda: bytes_over_entropy("am"), repeats=1
    ),
    Limit(
        "archive in the file, SSB", "-", 1.05, ENTROPY, lambda: bytes_over_entropy("ssb"), repeats=1
    ),
    Limit("idle, 200 pairs/s, CPU", "-", 1.5, "x bare reader", lambda: idle()[0], repeats=1),
    Limit("idle, resident", "48", 42, "MiB", lambda: idle()[1], repeats=1),
    Limit("alarm to event line, p99", "6.5", 4, "ms", lambda: alarm_ms(99), repeats=1),
    Limit(
        "alarm to event line, p99.9, told only",
        "-",
        math.inf,
        "ms",
        lambda: alarm_ms(99.9),
        repeats=1,
    ),
    *(
        # 0.12 s on a machine where the interpreter alone takes 0.03 s
        Limit(
            f"`{command}` from the shell",
            "14 to 17",
            4,
            "x python -c ''",
            partial(start_over_bare, command),
        )
        for command in ("status", "alarms", "faults")
    ),
    Limit("report, 3 channels, 10 years", "4.6 for 3 years", 5, "s", report_s, repeats=1),
    Limit("installed by `pip install .`", "411", 250, "MB", installed_mb, repeats=1),
    Limit("`bash tests/run`", "12 to 15", 6, "min", suite_min, repeats=1),
    Limit("written to the card a day", "70", 35, "MB", card_mb, repeats=1),
)
