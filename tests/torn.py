"""The daemon as it is, but for segments that are merged early, and a SIGKILL of itself there.

python -m tests.torn PAIRS MOMENT [ARGUMENT...]

PAIRS is what makes a large segment, MOMENT one of MOMENTS; the rest goes to `mismatchd`.
"""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from logger.cli import main
from logger.store import archive

MOMENTS = ("never", "before", "within", "commit", "after")  # of the transaction that merges
COMMIT_S = 0.002  # about as long as a commit takes


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def die_after(seconds: float) -> None:
    until = time.perf_counter() + seconds
    while time.perf_counter() < until:
        pass
    die()


def torn(moment: str) -> None:
    """Replace the transaction that merges by one that ends the process."""
    whole = archive.transaction

    @contextmanager
    def transaction(connection: sqlite3.Connection) -> Iterator[None]:
        if moment == "before":
            die()
        with whole(connection):
            yield
            if moment == "within":
                die()
            if moment == "commit":
                wait_s = random.uniform(0, COMMIT_S)
                threading.Thread(target=die_after, args=(wait_s,)).start()
        if moment == "after":
            die()

    archive.transaction = transaction


if __name__ == "__main__":
    archive.MERGED_PAIRS = int(sys.argv[1])
    torn(sys.argv[2])
    main(sys.argv[3:])
