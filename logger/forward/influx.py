"""Forwards stored rows to a server that takes InfluxDB line protocol at /api/v2/write.

The store is the outbox: a cursor for each table says how far delivery has got and moves only after
the server has taken a batch, so a server that is down costs nothing but time. The client's own
batching is not used, since it drops what it cannot deliver. Rows the server refuses are looked
for by halving the batch, named in the log, counted and left out.
"""

from __future__ import annotations

import contextlib
import logging
import random
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from logger.config import InfluxOptions
from logger.errors import StoreError
from logger.line_protocol import point
from logger.store.database import Store
from logger.store.redate import dated
from logger.store.tables import ALARMS, SECONDS, TRANSMISSIONS

log = logging.getLogger("mismatchd.forward")

NAME = "influxdb"
BATCH = 1000
IDLE_S = 1.0
LONGEST_WAIT_S = 60.0
LAST_S = 1.5  # for what is left when the daemon ends; the rest waits in the store
TIMEOUT_MS = 10_000
REFUSED = 400  # this status, with JSON, speaks of the rows; every other of the server


class ServerError(Exception):
    """The server could not be reached or would not take anything; the text says why."""


class InfluxForwarder:
    """One server. `run` works on a thread of its own with its own connection to the store."""

    def __init__(
        self, store: Path, options: InfluxOptions, station: str, environ: Mapping[str, str]
    ) -> None:
        self._path = store
        self._options = options
        self._station = station
        self._token = environ.get(options.token_env, "")
        self._client: Any = None
        self._write_api: Any = None
        self._store: Store | None = None
        self._sent = 0
        self._rejected = 0
        self._backlog = 0
        self._last_error: str | None = None

    def status(self) -> dict[str, Any]:
        """What `mismatchd status` shows."""
        return {
            "url": self._options.url,
            "backlog": self._backlog,
            "sent": self._sent,
            "rejected": self._rejected,
            "last_error": self._last_error,
        }

    def run(self, stop: threading.Event) -> None:
        """Deliver until `stop` is set, then what is left if the server takes it quickly. Waits
        longer the longer the server stays away."""
        wait_s = 0.0
        failures = 0
        while not stop.wait(wait_s):
            try:
                delivered = self.step()
            except Exception as error:  # whatever it is, this thread must not end in silence
                if not isinstance(error, ServerError | StoreError):
                    error = ServerError(f"forwarding failed: {error!r}")
                if self._last_error is None:
                    log.warning("%s; rows wait in the store", error)
                self._last_error = str(error)
                failures += 1
                wait_s = min(LONGEST_WAIT_S, 2.0 ** min(failures, 10) / 4) * random.uniform(0.5, 1)
                continue
            if self._last_error is not None:
                log.info("%s takes rows again", self._options.url)
                self._last_error = None
            failures = 0
            wait_s = 0.0 if delivered else IDLE_S
        until_s = time.monotonic() + LAST_S
        with contextlib.suppress(ServerError, StoreError):
            while self._last_error is None and time.monotonic() < until_s and self.step():
                pass
        self.close()

    def step(self) -> int:
        """Deliver one batch of each table; how many rows. Raises ServerError, StoreError."""
        if self._store is None:
            self._store = Store.reader(self._path)
        store = self._store
        transmission_id, second_id, change_id, rewrites = store.cursor(NAME)
        alarms = store.changed_alarms(change_id, BATCH)
        page = f"r.id > ? AND {{}} ORDER BY r.id LIMIT {BATCH}"
        transmissions, seconds = (
            store.select(table, page.format(dated(table.time)), after)
            for table, after in ((TRANSMISSIONS, transmission_id), (SECONDS, second_id))
        )
        delivered = 0
        for column, table, numbered in (
            ("alarm_change_id", ALARMS, alarms),
            ("transmission_id", TRANSMISSIONS, [(r.id, r) for r in transmissions]),
            ("second_id", SECONDS, [(r.id, r) for r in seconds]),
        ):
            if numbered:
                self._deliver([point(table, record, self._station) for _, record in numbered])
                store.advance_cursor(NAME, column, numbered[-1][0], rewrites)
                delivered += len(numbered)
        self._backlog = store.backlog(NAME)
        return delivered

    def close(self) -> None:
        """Release the connections."""
        if self._client is not None:
            self._client.close()
            self._client = None
        if self._store is not None:
            self._store.close()
            self._store = None

    def _deliver(self, lines: list[str]) -> None:
        reason = self._send(lines)
        if reason is None:
            self._sent += len(lines)
        elif len(lines) == 1:
            self._rejected += 1
            log.error("the server refuses a row, left out: %s (%s)", lines[0], reason)
        else:
            middle = len(lines) // 2
            self._deliver(lines[:middle])
            self._deliver(lines[middle:])

    def _send(self, lines: list[str]) -> str | None:
        """None if the server took the lines, its reason if it refuses some of them."""
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        options = self._options
        try:
            self._writer().write(
                bucket=options.bucket, org=options.org, record=lines, write_precision="ns"
            )
        except ApiException as error:
            reason = " ".join(str(error.message or error.reason or "").split())[:200]
            if error.status == REFUSED and _speaks_of_rows(error.body):
                return reason
            raise ServerError(f"{options.url} answers {error.status} {reason}") from error
        except (HTTPError, OSError) as error:
            raise ServerError(f"{options.url} cannot be reached: {type(error).__name__}") from error
        return None

    def _writer(self) -> Any:
        if self._write_api is None:
            # Imported only where it is used: it costs 40 MB.
            from influxdb_client.client.influxdb_client import InfluxDBClient
            from influxdb_client.client.write_api import SYNCHRONOUS

            options = self._options
            self._client = InfluxDBClient(
                options.url, token=self._token, org=options.org, timeout=TIMEOUT_MS
            )
            self._write_api = self._client.write_api(write_options=SYNCHRONOUS)
        return self._write_api


def _speaks_of_rows(body: bytes | str | None) -> bool:
    """Whether a 400 is the database's own: a proxy or a wrong path answers in plain text or HTML,
    and taking that for bad rows would throw away the whole backlog."""
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else body or ""
    return text.lstrip().startswith("{")
