"""A server that accepts InfluxDB line protocol at /api/v2/write, through influxdb-client.

The client's own batching is not used, since it drops what it cannot deliver.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from logger.config.load import InfluxOptions
from logger.errors import ConfigError
from logger.forward.answers import Refusal, ServerError, Target, has_no_delete, judge
from logger.store.line_protocol import delete_predicate, delete_statement
from logger.store.outbox import Retracted
from logger.utc import format_ns

LIMIT_S = 10.0  # of an exchange
IMPORTING = threading.Lock()


class Server:
    """Connects on first use and again after `close`."""

    def __init__(self, options: InfluxOptions, environ: Mapping[str, str]) -> None:
        self.target = Target(options.shown_url, options.org, options.bucket, options.token_name)
        self._url = options.url
        self._options = options
        self._environ = environ
        self._client: Any = None
        self._writer: Any = None
        self._pool: Any = None
        self._is_version_1 = False

    def write(self, lines: Sequence[str]) -> Refusal | None:
        """Send lines; return None if the server accepted all of them. Raise ServerError."""
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError, ProtocolError

        url, org, bucket, _ = self.target
        try:
            self._connected().write(
                bucket=bucket, org=org, record="\n".join(lines), write_precision="ns"
            )
        except ApiException as error:
            return judge(self.target, *self._answer(error), datetime.now(UTC))
        except (HTTPError, OSError) as error:
            if self._pool.expired:
                text = f"{url} did not answer within {LIMIT_S:g} s"
                raise ServerError("timeout", text, lost=True) from error
            # A proxy that finds a request too large may close the connection without a response.
            raise self._unreachable(error, lost=isinstance(error, ProtocolError)) from error
        except UnicodeDecodeError as error:
            raise ServerError("unreadable", f"{url} sent an unreadable response") from error
        if self._pool.body:  # of a login page, for example
            raise ServerError(
                "content",
                f"{url} answers {self._pool.status} with content instead of 204: correct the url",
            )
        return None

    def delete(self, spans: Sequence[Retracted], station: str, station_id: str) -> bool:
        """Delete points of a station by measurement and time; return False if the server cannot.

        Raise ServerError.
        """
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        try:
            if not self._is_version_1:
                self._is_version_1 = not self._delete_by_api(spans, station, station_id)
            if self._is_version_1:
                self._delete_by_query(spans, station, station_id)
        except ApiException as error:
            answer = self._answer(error)
            if has_no_delete(*answer):
                return False
            refusal = judge(self.target, *answer, datetime.now(UTC))
            raise self._cannot_delete(refusal.reason) from error
        except (HTTPError, OSError) as error:
            raise self._unreachable(error) from error
        return True

    def _answer(self, error: Any) -> tuple[int, dict[str, str], str]:
        """Return status, headers and body of an ApiException. Raise ServerError without them."""
        if not error.status:
            raise self._unreachable(error, str(error.reason)) from error
        if error.status == 401:
            self.close()  # the token is read again, since it may have changed
        headers = {name.lower(): text for name, text in (error.headers or {}).items()}
        body = error.body or ""
        return (
            error.status,
            headers,
            body if isinstance(body, str) else body.decode(errors="replace"),
        )

    def _delete_by_api(self, spans: Sequence[Retracted], station: str, station_id: str) -> bool:
        """Delete by the API of InfluxDB 2; return False if this is InfluxDB 1."""
        from influxdb_client.rest import ApiException

        delete = self._connected_client().delete_api().delete
        _, org, bucket, _ = self.target
        for span in spans:
            marked = station_id if span.is_marked else ""
            predicate = delete_predicate(span.table.measurement or "", station, marked)
            # Some servers exclude the end; one nanosecond more includes no further row.
            since, until = _exact(span.since_ns), _exact(span.until_ns + 1)
            try:
                delete(since, until, predicate, bucket=bucket, org=org)
            except ApiException as error:
                version = str(dict(error.headers or {}).get("X-Influxdb-Version", ""))
                if error.status == 404 and version.startswith("1."):
                    return False
                raise
        return True

    def _delete_by_query(self, spans: Sequence[Retracted], station: str, station_id: str) -> None:
        """Delete by the query language of InfluxDB 1."""
        statements = ";".join(
            delete_statement(
                span.table.measurement or "",
                station,
                station_id if span.is_marked else "",
                span.since_ns,
                span.until_ns,
            )
            for span in spans
        )
        answer = self._connected_client().api_client.call_api(
            "/query",
            "POST",
            query_params=[("db", self.target.bucket.partition("/")[0])],
            header_params={
                "Accept": "application/json",
                "Content-Type": "application/x-www-form-urlencoded",
            },
            post_params=[("q", statements)],
            response_type="object",
            _return_http_data_only=True,
        )
        if not isinstance(answer, dict):
            raise self._cannot_delete("it answers with something other than JSON")
        errors = [result["error"] for result in answer.get("results", ()) if "error" in result]
        if errors:
            raise self._cannot_delete(errors[0])

    def _cannot_delete(self, reason: str) -> ServerError:
        return ServerError("delete", f"{self.target.url} cannot delete points: {reason}")

    def close(self) -> None:
        """Release the connection."""
        if self._client is not None:
            self._client.close()
            self._pool.clear()
            self._client = None

    def _unreachable(
        self, error: BaseException, reason: str | None = None, *, lost: bool = False
    ) -> ServerError:
        reason = " ".join((reason or _cause(error)).split())
        return ServerError(
            "unreachable", f"{self.target.url} cannot be reached: {reason}", lost=lost
        )

    def _connected_client(self) -> Any:
        self._connected()
        return self._client

    def _connected(self) -> Any:
        if self._client is None:
            # Imported only where it is used, since it costs 40 MB; by one thread at a time, since
            # its modules import each other in a cycle.
            with IMPORTING:
                from influxdb_client.client.influxdb_client import InfluxDBClient
                from influxdb_client.client.write_api import SYNCHRONOUS

                from logger.forward.pool import LimitedPool

            try:
                token = self._options.token(self._environ)
            except ConfigError as error:
                raise ServerError("token", str(error)) from error
            self._client = InfluxDBClient(
                self._url,
                token=token,
                org=self.target.org,
                timeout=1000 * LIMIT_S,
                enable_gzip=True,
            )
            self._pool = LimitedPool(LIMIT_S)
            self._client.api_client.rest_client.pool_manager = self._pool
            self._writer = self._client.write_api(write_options=SYNCHRONOUS)
        return self._writer


def _exact(time_ns: int) -> str:
    return f"{format_ns(time_ns)[:-1]}{time_ns % 1000:03}Z"


def _cause(error: BaseException) -> str:
    """Return the operating system's message at the root of an error, or else the error's name."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, OSError) and cause.strerror:
            return cause.strerror
        cause = cause.__cause__ or cause.__context__
    return type(error).__name__
