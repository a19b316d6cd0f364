"""HTTP server of the site; runs until SIGTERM or Ctrl-C."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import signal
import socket
import ssl
from collections.abc import Iterator
from ipaddress import IPv4Address, IPv6Address
from pathlib import Path
from typing import Any

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from logger.errors import MismatchdError, UsageError

MOST_CONNECTIONS = 200
MOST_OF_ADDRESS = 64  # connections; a family behind one router, or a proxy, needs no more
HEAD_S = 10.0  # from the begin of a connection, or of a request, to the end of its head
WAITING = 64  # pending connections
NICE = 10  # the daemon takes precedence over the page
UNHEARD_MS = 30_000  # a client that accepts nothing for this long is disconnected
HELD_BYTES = 65536  # send buffer of one connection


class ListenError(MismatchdError):
    """Cannot listen at the address."""


def listener(address: IPv4Address | IPv6Address, port: int) -> socket.socket:
    """Return a listening socket. Raises ListenError."""
    family = socket.AF_INET6 if address.version == 6 else socket.AF_INET
    # asyncio disables Nagle's algorithm, which costs 40 ms, only if the socket names TCP.
    listening = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, HELD_BYTES)
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNHEARD_MS)
        listening.bind((str(address), port))
        listening.listen(WAITING)
    except OSError as error:
        listening.close()
        raise ListenError(
            f"page: cannot listen on {address} port {port}: {error.strerror};"
            " give another --address or --port"
        ) from error
    return listening


def check_certificate(certificate: Path, key: Path) -> None:
    """Check that certificate and key can be used; raise UsageError if not."""
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key)
    except OSError as error:
        reason = error.strerror or "not a PEM certificate and its key"
        raise UsageError(
            f"--certificate {certificate}, --key {key}: {reason}; give the PEM files of both"
        ) from error


def serve(
    app: ASGIApp, listening: socket.socket, certificate: Path | None, key: Path | None
) -> None:
    """Serve `app` at low priority until asked to end."""
    with contextlib.suppress(OSError):
        os.nice(NICE)
    # Errors in pages are logged there; clients that disconnect early are of no interest.
    logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)
    server = _Server(
        uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            http=_Connection,
            ws="none",
            loop="asyncio",
            lifespan="on",
            limit_concurrency=MOST_CONNECTIONS,
            timeout_graceful_shutdown=1,
            ssl_certfile=certificate,
            ssl_keyfile=key,
        )
    )
    asyncio.run(server.serve([listening]))


class _Connection(H11Protocol):
    """Connection that is closed if a request does not come, or if its address has many others."""

    _head_timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Begin to wait for a request."""
        super().connection_made(transport)
        of_address = [other for other in self.connections if _address(other) == _address(self)]
        if len(of_address) > MOST_OF_ADDRESS:
            transport.abort()
        else:
            self._await_head()

    def data_received(self, data: bytes) -> None:
        """Take data; wait for the rest of a request's head no longer than HEAD_S."""
        cycle = self.cycle
        if self._head_timer is None and (cycle is None or cycle.response_complete):
            self._await_head()
        super().data_received(data)
        if self.cycle is not cycle:  # the head is complete
            self._stop_waiting()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the timer."""
        self._stop_waiting()
        super().connection_lost(exc)

    def _await_head(self) -> None:
        self._head_timer = self.loop.call_later(HEAD_S, self.transport.abort)

    def _stop_waiting(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None


def _address(connection: Any) -> str | None:
    return connection.client[0] if connection.client else None


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Treat SIGINT and SIGTERM as a normal end."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, setattr, self, "should_exit", True)
        yield
