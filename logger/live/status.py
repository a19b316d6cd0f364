"""The daemon's status socket beside the store: every client receives one JSON object."""

from __future__ import annotations

import contextlib
import os
import select
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

import msgspec

from logger.live.local_socket import connected, listening, path_of

SUFFIX = ".socket"
SEND_TIMEOUT_S = 0.5
ANSWER_TIMEOUT_S = 3.0


class StatusSocket:
    """Server of the status, on the thread that calls `serve`.

    Raises StatusError when constructed.
    """

    def __init__(self, store: Path, status: Callable[[], dict[str, Any]]) -> None:
        self._path = path_of(store, SUFFIX)
        self._status = status
        self._socket = listening(store, SUFFIX, "`mismatchd status`")
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
        """Make a waiting `serve` return; call it from another thread."""
        os.eventfd_write(self._wake, 1)

    def serve(self, timeout_s: float) -> None:
        """Answer one client if it connects within `timeout_s`."""
        ready, _, _ = select.select([self._socket.fileno(), self._wake], [], [], timeout_s)
        if self._socket.fileno() not in ready:
            return
        with contextlib.suppress(OSError), self._socket.accept()[0] as caller:
            caller.settimeout(SEND_TIMEOUT_S)
            caller.sendall(msgspec.json.encode(self._status()))


def ask(store: Path) -> dict[str, Any] | None:
    """Return the status of the daemon that serves `store`, None if there is no answer."""
    try:
        with connected(store, SUFFIX, ANSWER_TIMEOUT_S) as caller:
            answer = b"".join(iter(lambda: caller.recv(65536), b""))
        result: dict[str, Any] = msgspec.json.decode(answer)
    except (OSError, msgspec.DecodeError):
        return None
    return result
