"""Reading from a socket with an end to it: a peer that sends a byte now and then is no reason to
wait for ever."""

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
    """As much of a socket as a response needs."""

    def __init__(self, source: socket.socket, until_s: float) -> None:
        self._raw = _Timed(source, until_s)

    def makefile(self, mode: str) -> io.BufferedReader:
        return io.BufferedReader(self._raw)


def responses_until(until_s: float) -> Callable[..., HTTPResponse]:
    """A `response_class` for http.client whose reading raises TimeoutError at that time of the
    monotonic clock."""

    def response(source: socket.socket, *args: Any, **more: Any) -> HTTPResponse:
        return HTTPResponse(_Source(source, until_s), *args, **more)  # type: ignore[arg-type]

    return response
