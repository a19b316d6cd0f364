"""Reads of HTTP responses with a deadline, so that a slow server cannot block for ever."""

from __future__ import annotations

import io
import socket
import time
from http.client import HTTPResponse
from typing import Any


class _TimedReader(io.RawIOBase):
    """Reader of a socket that raises TimeoutError after `until_s`."""

    def __init__(self, source: socket.socket, raw: io.RawIOBase, until_s: float) -> None:
        self._socket = source
        self._raw = raw  # keeps the socket open until this is closed
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


def responses_until(until_s: float) -> type[HTTPResponse]:
    """Return a `response_class` for http.client whose reads raise TimeoutError after `until_s`.

    `until_s` is a time of the monotonic clock in seconds.
    """

    class TimedResponse(HTTPResponse):
        def __init__(self, source: socket.socket, *args: Any, **more: Any) -> None:
            super().__init__(source, *args, **more)
            self.fp = io.BufferedReader(_TimedReader(source, self.fp.detach(), until_s))

    return TimedResponse
