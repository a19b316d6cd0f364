"""How long `report` and `chart drift` take over a busy station: a year, and ten.

    python -m tests.bench.report [--years 1 10] [--plain]

40,000 transmissions and 2.6 million rows of seconds a year on five channels. Each command is a
process of its own on one core. First `report` with nothing summed up yet, which is the case once;
then each command, the least of three. `--plain` stands the plain trend of the tests in for the
model, which shows what reading, words and drawing take alone.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from logger.utc import DAY_NS
from tests import drift_store
from tests.station import write_config
from tests.trends import days

CHANNELS = (20, 3, 9, 38, 14)
A_DAY = 22  # transmissions on each channel
SECONDS = 65  # of each transmission
LIMITS_S = {1: 2.0, 10: 10.0}
PLAIN = """
import sys, types
from tests.trends import fitted
model = types.ModuleType("logger.trend.model")
model.trend = lambda used, events=(), weather=None: fitted(used)
sys.modules["logger.trend.model"] = model
"""
MAIN = "import sys; from logger.cli import main; main(sys.argv[1:])"


def taken_s(arguments: list[str], plain: bool, times: int = 3) -> float:
    """Wall seconds of a command on one core, the least of some."""
    program = [sys.executable, "-c", (PLAIN if plain else "") + MAIN, *arguments]
    core = min(os.sched_getaffinity(0))
    least = float("inf")
    for _ in range(times):
        begin = time.perf_counter()
        subprocess.run(
            program,
            check=True,
            capture_output=True,
            preexec_fn=lambda: os.sched_setaffinity(0, {core}),
        )
        least = min(least, time.perf_counter() - begin)
    return least


def station(
    folder: Path, years: int, channels: Sequence[int] = CHANNELS, seconds: int = SECONDS
) -> Path:
    """Write the store of a station with an alarm to be diagnosed; return its configuration."""
    config = write_config(folder, "/dev/null")
    used = [
        days(round(365.25 * years), channel=one, seed=one, used=1.0, slope=0.03) for one in channels
    ]
    store = folder / "data/station.sqlite"
    drift_store.write(store, used, A_DAY)
    print(f"{years:>2} years: {drift_store.put_seconds(store, seconds):,} rows of seconds")
    raised_ns = int(used[0].day[-1]) * DAY_NS
    drift_store.put_alarm(store, raised_ns, "baseline-shift", "warning", "for the bench")
    return config


def measure(years: int, plain: bool) -> dict[str, float]:
    """Wall seconds of each command."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config = str(station(folder, years))
        commands = {
            "report": ["report", "-c", config],
            "report --html": ["report", "-c", config, "--html", str(folder / "report.html")],
            "chart drift": ["chart", "drift", "-c", config, "-o", str(folder / "drift.png")],
        }
        first = {"first report": taken_s(commands["report"], plain, times=1)}
        return first | {name: taken_s(arguments, plain) for name, arguments in commands.items()}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--years", type=int, nargs="+", default=[1, 10])
    parser.add_argument("--plain", action="store_true")
    arguments = parser.parse_args()
    for years in arguments.years:
        for name, seconds in measure(years, arguments.plain).items():
            limit = LIMITS_S.get(years)
            print(
                f"{years:>2} years  {name:14} {seconds:6.2f} s"
                + (f"  of {limit:g}" if limit else "")
            )


if __name__ == "__main__":
    main()
