"""Connections of HTTP within the limits of an exchange."""

from __future__ import annotations

import http.client
import ssl
from urllib.parse import SplitResult

from logger.outlets.exchange import Exchange


def http_connection(
    url: SplitResult, exchange: Exchange, context: ssl.SSLContext | None = None
) -> http.client.HTTPConnection:
    """Return a connection to the server of a URL, which opens on its first request.

    `context` is for https; by default that of the system.
    """
    assert url.hostname is not None
    connection = (
        http.client.HTTPSConnection(url.hostname, url.port, context=context)
        if url.scheme == "https"
        else http.client.HTTPConnection(url.hostname, url.port)
    )
    connection._create_connection = exchange.connect  # type: ignore[attr-defined]
    return connection
