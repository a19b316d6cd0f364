"""Cuts the power of a recorded run of the daemon: what was promised must be in the store.

python -m tests.bench.power_cuts [cuts] [rounds]
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.disk import SYNC
from tests.test_power_cuts import check, record


def main(cuts: int, rounds: int) -> None:
    """Print how often the power was cut and what had to survive."""
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as after:
        recording = record(Path(folder), rounds)
        survivors = check(recording, cuts, 7, Path(after))
        syncs = sum(change.kind == SYNC for change in recording.changes)
        seconds = (recording.changes[-1].time_ns - recording.changes[0].time_ns) / 1e9
        print(
            f"{cuts} power cuts in {len(recording.changes)} changes of {seconds:.0f} s:"
            f" {survivors} times a reported change of an alarm had to be there, and was;"
            f" {len(recording.reports)} reports, {syncs} syncs"
        )


if __name__ == "__main__":
    numbers = [*map(int, sys.argv[1:])]
    main(*(numbers + [5000, 8][len(numbers) :]))
