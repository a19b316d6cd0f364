"""What makes a file survive a power cut: syncs of the logs, of a file, of a folder."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path

WAL, SPOOL = "-wal", "-spool"  # ends of the names of the logs beside a store


def sync_log(path: Path) -> None:
    """Sync the write-ahead log and the spool of a store, as far as there are any. Raise OSError.

    The times of files are not synced, which would write as much as a commit.
    """
    for suffix in (WAL, SPOOL):
        with contextlib.suppress(FileNotFoundError):  # everything is in the file itself
            sync(path.with_name(path.name + suffix), os.fdatasync)


def sync(path: Path, how: Callable[[int], None] = os.fsync) -> None:
    """Sync the content of a file, or the names in a folder. Raise OSError."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        how(descriptor)
    finally:
        os.close(descriptor)
