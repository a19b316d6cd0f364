"""Connections to one server with limits: a deadline for each request, and a size of its answer.

urllib3 limits neither: its timeouts are for each wait, and it reads and decompresses whatever
comes.
"""

from __future__ import annotations

import io
import zlib
from typing import Any

import urllib3
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool
from urllib3.exceptions import ProtocolError

from logger.outlets.exchange import MOST_BYTES, Exchange

GZIP = 16 + zlib.MAX_WBITS


class LimitedPool(urllib3.PoolManager):
    """Pool for one thread. `expired` is True if the last request took too long.

    `status` and `body` are those of the last answer, the body cut off after MOST_BYTES.
    """

    def __init__(self, limit_s: float) -> None:
        super().__init__(retries=False, cert_reqs="CERT_REQUIRED")
        self.status, self.body, self.expired = 0, b"", False
        self._limit_s = limit_s
        self._options = {
            "preload_content": False,
            # `connect` is for each address of a name: one that does not answer leaves time to the
            # next. Everything else ends with the exchange.
            "timeout": urllib3.Timeout(connect=limit_s / 3, read=2 * limit_s),
        }
        self._exchange = Exchange(limit_s)
        self.pool_classes_by_scheme = _pools(self)

    @property
    def exchange(self) -> Exchange:
        """The exchange in progress."""
        return self._exchange

    def request(self, method: str, url: str, *args: Any, **options: Any) -> Any:
        """Send a request; return the answer, which is read completely or closed."""
        with Exchange(self._limit_s) as self._exchange:
            try:
                answer = super().request(method, url, *args, **{**options, **self._options})
                body = answer.read(MOST_BYTES, decode_content=False)
                if len(body) == MOST_BYTES:
                    answer.close()
                else:
                    answer.release_conn()
            finally:
                self.expired = self._exchange.expired
        if self.expired:  # a header that was cut off looks complete
            raise ProtocolError("timed out")
        self.status, self.body = answer.status, _decoded(body, answer.headers)
        return urllib3.HTTPResponse(
            io.BytesIO(self.body),
            answer.headers,
            self.status,
            reason=answer.reason,
            decode_content=False,
        )


def _decoded(body: bytes, headers: Any) -> bytes:
    if headers.get("content-encoding", "").lower() != "gzip":
        return body
    try:
        return zlib.decompressobj(GZIP).decompress(body, MOST_BYTES)
    except zlib.error:
        return b""


def _pools(owner: LimitedPool) -> dict[str, type[HTTPConnectionPool]]:
    """Return classes of pools whose connections end with the exchange of `owner`."""

    class Plain(HTTPConnection):
        def _new_conn(self) -> Any:
            connection = super()._new_conn()
            owner.exchange.guard(connection)
            return connection

        def request(self, *args: Any, **options: Any) -> None:
            if self.sock is not None:  # used again
                owner.exchange.guard(self.sock)
                self.timeout = owner.exchange.left_s()  # of sending
            super().request(*args, **options)

    class Encrypted(Plain, HTTPSConnection):
        pass

    class PlainPool(HTTPConnectionPool):
        ConnectionCls = Plain

    class EncryptedPool(HTTPSConnectionPool):
        ConnectionCls = Encrypted

    return {"http": PlainPool, "https": EncryptedPool}
