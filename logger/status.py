"""The daemon's local socket beside the store: who connects gets one JSON object.

The socket is bound and reached through the folder's descriptor, since a socket's own path may have
no more than 107 bytes.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

import msgspec

from logger.errors import StatusError

SEND_TIMEOUT_S = 0.5


@contextlib.contextmanager
def _address(store: Path) -> Iterator[str]:
    folder = os.open(store.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{folder}/{store.name}.socket"
    finally:
        os.close(folder)


class StatusSocket:
    """The daemon's end. Serves from the thread that calls `serve`. Raises StatusError when made."""

    def __init__(self, store: Path, status: Callable[[], dict[str, Any]]) -> None:
        self._path = store.with_name(store.name + ".socket")
        self._status = status
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._path.unlink(missing_ok=True)
            with _address(store) as address:
                self._socket.bind(address)
            self._socket.listen(8)
        except OSError as error:
            self._socket.close()
            raise StatusError(
                f"{self._path}: the socket for `mismatchd status` cannot be made: {error.strerror};"
                " keep the store in a folder of a local disk that the daemon may write to"
            ) from error
        self._wake = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)

    def __enter__(self) -> StatusSocket:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._socket.close()
        os.close(self._wake)
        self._path.unlink(missing_ok=True)

    def wake(self) -> None:
        """End a `serve` that waits, from another thread."""
        os.eventfd_write(self._wake, 1)

    def serve(self, timeout_s: float) -> None:
        """Answer one caller if there is one within `timeout_s`."""
        ready, _, _ = select.select([self._socket.fileno(), self._wake], [], [], timeout_s)
        if self._socket.fileno() not in ready:
            return
        with contextlib.suppress(OSError), self._socket.accept()[0] as caller:
            caller.settimeout(SEND_TIMEOUT_S)
            caller.sendall(msgspec.json.encode(self._status()))


def ask(store: Path) -> dict[str, Any] | None:
    """The status of the daemon that keeps `store`, None if none answers."""
    try:
        with (
            _address(store) as address,
            socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as caller,
        ):
            caller.settimeout(3.0)
            caller.connect(address)
            answer = b"".join(iter(lambda: caller.recv(65536), b""))
        result: dict[str, Any] = msgspec.json.decode(answer)
    except (OSError, msgspec.DecodeError):
        return None
    return result
