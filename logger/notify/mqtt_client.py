"""MQTT client with limits: a deadline for connecting, and a number of bytes from the broker."""

from __future__ import annotations

import socket
import time
from typing import Any

from paho.mqtt.client import Client

from logger.outlets.exchange import MOST_BYTES, Exchange

PERIOD_S = 60.0


class LimitedClient(Client):
    """Connects within `exchange`; takes at most MOST_BYTES in PERIOD_S from the broker.

    Acknowledgements have a few bytes. Without a limit the client would hold a packet of 256 MB.
    """

    exchange: Exchange

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._since_s = 0.0
        self._received = 0

    def _create_socket_connection(self) -> socket.socket:
        return self.exchange.connect((self.host, self.port))

    def _sock_recv(self, bufsize: int) -> bytes:
        data: bytes = super()._sock_recv(bufsize)
        now_s = time.monotonic()
        if now_s - self._since_s > PERIOD_S:
            self._since_s, self._received = now_s, 0
        self._received += len(data)
        if self._received > MOST_BYTES:
            raise ConnectionError("the broker sends too much")
        return data
