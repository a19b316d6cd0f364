"""The daemon as it is, but for segments that are merged early, and a SIGKILL of itself there.

python -m tests.torn PAIRS MOMENT [ARGUMENT...]

PAIRS is what makes a large segment, MOMENT one of MOMENTS; the rest goes to `mismatchd`.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from logger.cli import main
from logger.store import archive_writer
from logger.store.archive_writer import ArchiveWriter
from logger.store.database import Database

MOMENTS = ("never", "before", "within", "commit", "after")  # of the transaction that merges
COMMIT_S = 0.002  # about as long as a commit takes


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def die_after(seconds: float) -> None:
    until = time.perf_counter() + seconds
    while time.perf_counter() < until:
        pass
    die()


class TornDatabase:
    """A database in whose transactions, those of the archive, the process ends."""

    def __init__(self, database: Database, moment: str) -> None:
        self._database, self._moment = database, moment

    def __getattr__(self, name: str) -> Any:
        return getattr(self._database, name)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        if self._moment == "before":
            die()
        with self._database.transaction():
            yield
            if self._moment == "within":
                die()
            if self._moment == "commit":
                wait_s = random.uniform(0, COMMIT_S)
                threading.Thread(target=die_after, args=(wait_s,)).start()
        if self._moment == "after":
            die()


def tear(moment: str) -> None:
    """Replace the transaction that merges by one that ends the process."""
    init = ArchiveWriter.__init__

    def torn_init(self: ArchiveWriter, database: Database) -> None:
        init(self, TornDatabase(database, moment))  # type: ignore[arg-type]

    ArchiveWriter.__init__ = torn_init  # type: ignore[method-assign]


if __name__ == "__main__":
    archive_writer.MERGED_PAIRS = int(sys.argv[1])
    tear(sys.argv[2])
    main(sys.argv[3:])
