"""Retention of raw pairs: deletes old ones and merges segments, from time to time. No clocks."""

from __future__ import annotations

import logging
from collections.abc import Iterable

from logger.errors import DamageError, StoreError
from logger.rows import Row, Samples
from logger.store.writer import StoreWriter
from logger.wording import count

log = logging.getLogger("mismatchd")

EXPIRE_S = 3600.0  # interval of deletions
RETRY_S = 60.0  # pause after a failure


class Retention:
    """Limits raw pairs by age and size.

    Age is judged by sample time, so that a replay of the past does not delete what it stores. With
    a `remote`, its URL, only pairs that it has acknowledged are deleted.
    """

    def __init__(
        self, keep_ns: int, keep_bytes: int | None = None, remote: str | None = None
    ) -> None:
        self._keep_ns = keep_ns
        self._keep_bytes = keep_bytes
        self._remote = remote
        self._newest_ns = 0
        self._due_s = self._expire_s = 0.0
        self._has_failed = False

    def tidy(self, store: StoreWriter | None, rows: Iterable[Row], now_s: float) -> None:
        """Tidy the store, if due, after `rows` were stored. Raise DamageError."""
        for row in rows:
            if isinstance(row, Samples):
                self._newest_ns = int(row.block.time_ns[-1])
        if store is None or now_s < self._due_s:
            return
        expiring = self._newest_ns > 0 and now_s >= self._expire_s
        try:
            expired = store.tidy(
                self._newest_ns - self._keep_ns if expiring else None,
                self._keep_bytes,
                self._remote,
            )
        except DamageError:
            raise
        except StoreError as error:  # rows are stored all the same
            if not self._has_failed:
                log.error("cannot merge or delete raw pairs: %s", error)
            self._has_failed = True
            self._due_s = now_s + RETRY_S
            return
        self._has_failed = False
        if expiring:
            self._expire_s = now_s + EXPIRE_S
        if expired:
            log.info("deleted %s past retention", count(expired, "raw pair"))
