"""What makes a file survive a power cut: syncs of the write-ahead log, of a file, of a folder."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path


def sync_log(path: Path) -> None:
    """Sync the write-ahead log of a store, if there is one. Raise OSError."""
    with contextlib.suppress(FileNotFoundError):  # everything is in the file itself
        sync(path.with_name(path.name + "-wal"))


def sync(path: Path) -> None:
    """Sync the content of a file, or the names in a folder. Raise OSError."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
