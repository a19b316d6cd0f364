"""Limits of an exchange with a server: a wall-clock deadline and a number of bytes.

The timeout of a socket limits each wait, so a server that sends a byte now and then holds its
client for ever. Here a timer shuts the connection down at the deadline, whatever the client does
with it: wait, read, write or negotiate TLS. Only the resolution of names has its own limits.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from types import TracebackType
from typing import Any, BinaryIO

MOST_BYTES = 65_536  # of an answer


class Exchange:
    """Context manager that ends the connections it has opened or guards after `limit_s`.

    `expired` is True after that; the client sees a closed connection.
    """

    def __init__(self, limit_s: float) -> None:
        self.expired = False
        self._until_s = time.monotonic() + limit_s
        self._lock = threading.Lock()
        self._handles: list[socket.socket] = []
        self._timer = threading.Timer(limit_s, self._expire)
        self._timer.daemon = True

    def __enter__(self) -> Exchange:
        self._timer.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._timer.cancel()
        with self._lock:
            for handle in self._handles:
                handle.close()
            self._handles.clear()

    def connect(self, address: tuple[str, int], *_: Any) -> socket.socket:
        """Return a connection, as `socket.create_connection`. Raise OSError.

        The addresses of a name share the time that is left, so that one that does not answer leaves
        some to the next.
        """
        failure: OSError | None = None
        places = socket.getaddrinfo(*address, 0, socket.SOCK_STREAM)
        for number, (family, kind, protocol, _name, place) in enumerate(places):
            connection = socket.socket(family, kind, protocol)
            try:
                connection.settimeout(self.left_s() / (len(places) - number))
                connection.connect(place)
                self.guard(connection)
            except OSError as error:
                connection.close()
                failure = error
            else:
                return connection
        raise failure or OSError("the name has no address")

    def guard(self, connection: socket.socket) -> None:
        """End this connection at the deadline, too. Raise TimeoutError if that has passed."""
        connection.settimeout(self.left_s())
        # TLS takes the descriptor away from the connection, and cannot duplicate its own.
        handle = socket.socket(fileno=os.dup(connection.fileno()))
        with self._lock:
            self._handles.append(handle)

    def left_s(self) -> float:
        """Return the time until the deadline. Raise TimeoutError if it has passed."""
        left_s = self._until_s - time.monotonic()
        if left_s <= 0:
            raise TimeoutError("timed out")
        return left_s

    def _expire(self) -> None:
        self.expired = True
        with self._lock:
            for handle in self._handles:
                with contextlib.suppress(OSError):
                    handle.shutdown(socket.SHUT_RDWR)


class LimitedReader:
    """Lines of a connection's file; raises OSError after MOST_BYTES."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._left = MOST_BYTES

    def readline(self, size: int) -> bytes:
        """Return a line of at most `size` bytes. Raise OSError."""
        line = self._file.readline(size)
        self._left -= len(line)
        if self._left < 0:
            raise OSError("the answer is too long")
        return line

    def close(self) -> None:
        """Close the file."""
        self._file.close()
