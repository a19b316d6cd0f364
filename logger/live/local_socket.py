"""Unix sockets beside the store, for processes of this machine.

They are addressed through a descriptor of the folder, since the path of a socket is limited to 107
bytes.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Iterator
from pathlib import Path

from logger.errors import StatusError

WAITING = 8  # pending connections


def path_of(store: Path, suffix: str) -> Path:
    """Return the path of the socket of a store."""
    return store.with_name(store.name + suffix)


def open_listener(store: Path, suffix: str, purpose: str) -> socket.socket:
    """Return a listening socket; a stale one is replaced.

    Raises StatusError, whose text names the `purpose`.
    """
    path = path_of(store, suffix)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        path.unlink(missing_ok=True)
        with _address(store, suffix) as address:
            listener.bind(address)
        listener.listen(WAITING)
    except OSError as error:
        listener.close()
        raise StatusError(
            f"{path}: cannot create the socket for {purpose}: {error.strerror};"
            " keep the store in a writable folder on a local disk"
        ) from error
    return listener


def open_connection(store: Path, suffix: str, timeout_s: float) -> socket.socket:
    """Return a socket connected to the daemon that serves `store`.

    Raises OSError if there is none.
    """
    caller = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        caller.settimeout(timeout_s)
        with _address(store, suffix) as address:
            caller.connect(address)
    except OSError:
        caller.close()
        raise
    return caller


@contextlib.contextmanager
def _address(store: Path, suffix: str) -> Iterator[str]:
    folder = os.open(store.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{folder}/{path_of(store, suffix).name}"
    finally:
        os.close(folder)
