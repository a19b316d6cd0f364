"""Socket reads with a deadline, so that a peer that sends slowly cannot block for ever."""

from __future__ import annotations

import io
import socket
import time
from collections.abc import Callable
from http.client import HTTPResponse
from typing import Any


class _Timed(io.RawIOBase):
    def __init__(self, source: socket.socket, until_s: float) -> None:
        self._socket = source
        self._raw = source.makefile("rb", buffering=0)  # keeps it open until this is closed
        self._until_s = until_s

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        left_s = self._until_s - time.monotonic()
        if left_s <= 0:
            raise TimeoutError("timed out")
        self._socket.settimeout(left_s)
        return self._raw.readinto(buffer) or 0

    def close(self) -> None:
        self._raw.close()
        super().close()


class _Source:
    """The part of the socket interface that a response needs."""

    def __init__(self, source: socket.socket, until_s: float) -> None:
        self._raw = _Timed(source, until_s)

    def makefile(self, mode: str) -> io.BufferedReader:
        return io.BufferedReader(self._raw)


def responses_until(until_s: float) -> Callable[..., HTTPResponse]:
    """Return a `response_class` for http.client whose reads raise TimeoutError after `until_s`.

    `until_s` is a time of the monotonic clock in seconds.
    """

    def response(source: socket.socket, *args: Any, **more: Any) -> HTTPResponse:
        return HTTPResponse(_Source(source, until_s), *args, **more)  # type: ignore[arg-type]

    return response
