"""Client of the feed; reconnects when the daemon comes back."""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec

from logger.live.feed import SUFFIX
from logger.live.local_socket import open_connection
from logger.live.reading import LiveReading, decode

RETRY_S = 0.5
CONNECT_S = 0.5
MOST_BYTES = 65536  # longest line accepted; a longer one comes from some other server


def connect(store: Path) -> socket.socket:
    """Return a socket connected to the feed. Raises OSError if no daemon serves `store`."""
    return open_connection(store, SUFFIX, CONNECT_S)


class Follower:
    """Follows the feed of the daemon that serves `store`, and reconnects when it is lost."""

    def __init__(self, store: Path) -> None:
        self._store = store
        self._socket: socket.socket | None = None
        self._rest = b""
        self._retry_s = 0.0

    @property
    def connected(self) -> bool:
        """True if connected to a daemon."""
        return self._socket is not None

    def wait(self, timeout_s: float, others: Sequence[int] = ()) -> list[LiveReading]:
        """Return the new readings, after waiting up to `timeout_s` for one.

        Also returns when one of the descriptors in `others` becomes readable.
        """
        if self._socket is None and time.monotonic() >= self._retry_s:
            self._retry_s = time.monotonic() + RETRY_S
            try:
                self._socket = connect(self._store)
            except OSError:
                pass
            else:
                self._socket.setblocking(False)
        descriptors: list[Any] = [*others] if self._socket is None else [self._socket, *others]
        ready, _, _ = select.select(descriptors, [], [], timeout_s)
        return self._read() if self._socket in ready else []

    def close(self) -> None:
        """Close the connection; may be called twice."""
        if self._socket is not None:
            self._socket.close()
        self._socket, self._rest = None, b""

    def _read(self) -> list[LiveReading]:
        assert self._socket is not None
        try:
            data = self._socket.recv(MOST_BYTES)
            *lines, self._rest = (self._rest + data).split(b"\n")
            readings = [decode(line) for line in lines]
        except (OSError, msgspec.DecodeError):
            data, readings = b"", []
        if not data or len(self._rest) > MOST_BYTES:
            self.close()
        return readings
