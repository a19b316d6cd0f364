"""A server that takes InfluxDB line protocol at /api/v2/write, through influxdb-client.

The client's own batching is not used, since it drops what it cannot deliver.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from logger.config import InfluxOptions
from logger.errors import ConfigError
from logger.forward.answers import Refusal, ServerError, Target, judge

TIMEOUT_MS = 10_000


class Server:
    """Connects when first needed and again after `close`."""

    def __init__(self, options: InfluxOptions, environ: Mapping[str, str]) -> None:
        self.target = Target(options.shown_url, options.org, options.bucket, options.token_name)
        self._url = options.url
        self._options = options
        self._environ = environ
        self._client: Any = None
        self._writer: Any = None

    def write(self, lines: Sequence[str]) -> Refusal | None:
        """Send lines; None if the server took all of them. Raises ServerError."""
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError, ProtocolError, ReadTimeoutError

        url, org, bucket, _ = self.target
        try:
            self._connected().write(
                bucket=bucket, org=org, record="\n".join(lines), write_precision="ns"
            )
        except ApiException as error:
            if not error.status:
                raise self._unreachable(error, str(error.reason)) from error
            if error.status == 401:
                self.close()  # the token is read again, for it may have been changed
            headers = {name.lower(): text for name, text in (error.headers or {}).items()}
            return judge(self.target, error.status, headers, _text(error.body), datetime.now(UTC))
        except ReadTimeoutError as error:
            text = f"{url} does not answer within {TIMEOUT_MS / 1000:g} s"
            raise ServerError("timeout", text, lost=True) from error
        except (HTTPError, OSError) as error:
            # A proxy that finds a request too large may hang up without a word.
            raise self._unreachable(error, lost=isinstance(error, ProtocolError)) from error
        except UnicodeDecodeError as error:
            raise ServerError("unreadable", f"{url} answers what cannot be read") from error
        return None

    def close(self) -> None:
        """Release the connection."""
        if self._client is not None:
            self._client.close()
            self._client = None

    def _unreachable(
        self, error: BaseException, reason: str | None = None, *, lost: bool = False
    ) -> ServerError:
        reason = " ".join((reason or _cause(error)).split())
        return ServerError(
            "unreachable", f"{self.target.url} cannot be reached: {reason}", lost=lost
        )

    def _connected(self) -> Any:
        if self._client is None:
            # Imported only where it is used: it costs 40 MB.
            from influxdb_client.client.influxdb_client import InfluxDBClient
            from influxdb_client.client.write_api import SYNCHRONOUS

            try:
                token = self._options.token(self._environ)
            except ConfigError as error:
                raise ServerError("token", str(error)) from error
            self._client = InfluxDBClient(
                self._url,
                token=token,
                org=self.target.org,
                timeout=TIMEOUT_MS,
                enable_gzip=True,
            )
            self._writer = self._client.write_api(write_options=SYNCHRONOUS)
        return self._writer


def _text(body: bytes | str | None) -> str:
    return body.decode("utf-8", "replace") if isinstance(body, bytes) else body or ""


def _cause(error: BaseException) -> str:
    """The operating system's words at the bottom of an error, or else the error's name."""
    at: BaseException | None = error
    while at is not None:
        if isinstance(at, OSError) and at.strerror:
            return at.strerror
        at = at.__cause__ or at.__context__
    return type(error).__name__
