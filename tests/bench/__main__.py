"""Prints the table of throughput and frugality: row, before, wanted, measured, met or MISSED.

    python -m tests.bench [--only WORD] [--list]

Each row is a function of `tests.bench.limits`, which measures a ratio within one run. The exit
status is 1 if a row that was measured misses its bar.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import statistics
import sys

from tests.bench.limits import LIMITS, Limit

WIDTHS = 42, 16, 24, 34


def measure(limit: Limit) -> bool:
    """Measure and print a row; return True if it is met."""
    with contextlib.redirect_stdout(io.StringIO()):
        figures = [limit.measure() for _ in range(limit.repeats)]
    value = statistics.median(figures)
    verdict = "met" if limit.is_met(value) else "MISSED"
    spread = f" ({min(figures):.3g} to {max(figures):.3g})" if len(figures) > 1 else ""
    cells = limit.name, limit.before, limit.wanted, f"{value:.3g} {limit.unit}{spread}"
    print(*(cell.ljust(width) for cell, width in zip(cells, WIDTHS, strict=True)), verdict)
    sys.stdout.flush()
    return verdict == "met"


def main() -> int:
    """Print the rows that the command line asks for; return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--only", metavar="WORD", default="", help="rows whose name contains it")
    parser.add_argument("--list", action="store_true", help="name the rows, measure nothing")
    arguments = parser.parse_args()
    rows = [limit for limit in LIMITS if arguments.only in limit.name]
    if arguments.list:
        print(*(limit.name for limit in rows), sep="\n")
        return 0
    if not rows:
        parser.error(f"no row contains {arguments.only!r}; see --list")
    met = [measure(limit) for limit in rows]
    return int(not all(met))


if __name__ == "__main__":
    sys.exit(main())
