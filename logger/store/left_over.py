"""Stores what a killed daemon has left in the spool, for those who read the store meanwhile."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from logger.errors import StoreError
from logger.store.lock import StoreLock


def store_spooled(path: Path) -> None:
    """Store the rows in the spool of a store, unless a daemon uses it or this user may not write.

    What prevents it otherwise is reported by whoever opens the store next.
    """
    with suppress(StoreError):
        lock = StoreLock(path)
        try:
            from logger.store.writer import StoreWriter

            StoreWriter.open(path).close()
        finally:
            lock.release()
