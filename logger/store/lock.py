"""One daemon per store: an advisory lock on a file beside it that contains the daemon's pid."""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path

from logger.errors import StoreError
from logger.store.ownership import expect_ours


class StoreLock:
    """Acquired on construction; raises StoreError naming the holder.

    A file that was never a store is refused. The lock's file remains, as evidence that the store is
    ours, however damaged it may be.
    """

    def __init__(self, store: Path) -> None:
        path = store.with_name(store.name + ".lock")
        try:
            expect_ours(store, has_been_ours=path.exists())
            path.parent.mkdir(parents=True, exist_ok=True)
            # Readable by its owner only: who can read it can lock it.
            flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
            self._fd = os.open(path, flags, 0o600)
            os.fchmod(self._fd, 0o600)
            if os.geteuid() == 0:  # the daemon may be another user
                folder = path.parent.stat()
                os.fchown(self._fd, folder.st_uid, folder.st_gid)
        except OSError as error:
            raise StoreError(
                f"{path}: cannot be created: {error.strerror}; the daemon must be able to write to"
                f" {path.parent}{_owner(path)}"
            ) from error
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(self._fd, 32, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(self._fd)
            raise StoreError(
                f"{store}: a running daemon uses this store (pid {holder}); stop it first"
            ) from error
        os.ftruncate(self._fd, 0)
        with contextlib.suppress(OSError):  # a full disk: the lock holds all the same
            os.pwrite(self._fd, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Release the store for the next daemon."""
        os.close(self._fd)


def _owner(path: Path) -> str:
    """Return to whom a file, or the folder that exists above it, belongs."""
    for part in (path, *path.parents):
        with contextlib.suppress(OSError, KeyError):
            return f" ({part} belongs to user {part.owner()})"
    return ""
