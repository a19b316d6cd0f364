"""One daemon per store: an advisory lock on a file beside it that contains the daemon's pid.

Guided work that must not run twice at once has a lock of its own.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import threading
from pathlib import Path

from logger.errors import StoreError, StoreInUseError
from logger.store.ownership import expect_ours


class StoreLock:
    """Acquired on construction; raises StoreError naming the holder.

    It is that of the daemon, or of `work`, the name of a command. For the daemon, a file that was
    never a store is refused. The lock's file remains, as evidence that the store is ours, however
    damaged it may be.
    """

    def __init__(self, store: Path, work: str | None = None) -> None:
        self._store, self._work = store, work
        self._path = store.with_name(store.name + ("" if work is None else f".{work}") + ".lock")
        self._changing = threading.Lock()
        if work is None:
            expect_ours(store, has_been_ours=os.path.exists(self._path))
        self._fd = self._acquire()

    def ensure(self) -> bool:
        """Acquire the lock again if its file was removed; return True if that was so.

        Raise StoreError: StoreInUseError if another daemon was faster. Any thread may call it.
        """
        with self._changing:
            if self._is_in_place():
                return False
            descriptor = self._acquire()
            os.close(self._fd)
            self._fd = descriptor
            return True

    def release(self) -> None:
        """Release the store for the next daemon."""
        os.close(self._fd)

    def _is_in_place(self) -> bool:
        try:
            return os.path.samestat(os.stat(self._path), os.fstat(self._fd))
        except OSError:
            return False

    def _acquire(self) -> int:
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            # Readable by its owner only: who can read it can lock it.
            flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
            descriptor = os.open(self._path, flags, 0o600)
            os.fchmod(descriptor, 0o600)
            if os.geteuid() == 0:  # the daemon may be another user
                folder = self._path.parent.stat()
                os.fchown(descriptor, folder.st_uid, folder.st_gid)
        except OSError as error:
            raise StoreError(
                f"{self._path}: cannot be created: {error.strerror}; the daemon must be able to"
                f" write to {self._path.parent}{_owner(self._path)}"
            ) from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(descriptor, 32, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(descriptor)
            text = f"a running daemon uses this store (pid {holder}); stop it first"
            if self._work is not None:
                text = (
                    f"`{self._work}` is in progress in another terminal or on the page"
                    f" (pid {holder}); stop it there first"
                )
            raise StoreInUseError(f"{self._store}: {text}") from error
        os.ftruncate(descriptor, 0)
        with contextlib.suppress(OSError):  # a full disk: the lock holds all the same
            os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
        return descriptor


def _owner(path: Path) -> str:
    """Return to whom a file, or the folder that exists above it, belongs."""
    for part in (path, *path.parents):
        with contextlib.suppress(OSError, KeyError):
            return f" ({part} belongs to user {part.owner()})"
    return ""
