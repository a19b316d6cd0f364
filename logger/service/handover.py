"""Rows from one thread to another; to give never waits unless it is asked to."""

from __future__ import annotations

import threading

from logger.rows import Row
from logger.service.backlog import Backlog

MANY_ROWS = 4096  # a finite input waits while there are more


class Handover:
    """One thread gives, another takes; rows stay in order. `dropped` counts rows and pairs that
    gave way because nobody took them."""

    def __init__(self) -> None:
        self._backlog = Backlog()
        self._ended = False
        self._changed = threading.Condition()

    def __len__(self) -> int:
        return len(self._backlog)

    @property
    def dropped(self) -> int:
        """How many rows and pairs gave way."""
        return self._backlog.dropped

    def give(self, rows: list[Row]) -> None:
        """Hand rows over."""
        with self._changed:
            self._backlog.add(rows)
            self._changed.notify_all()

    def room(self, timeout_s: float) -> bool:
        """Wait until there are not many; whether that is so within `timeout_s`."""
        with self._changed:
            return self._changed.wait_for(lambda: len(self._backlog) <= MANY_ROWS, timeout_s)

    def end(self) -> None:
        """Nothing more will be given."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()

    def take(self, timeout_s: float) -> tuple[list[Row], bool]:
        """All rows, waiting up to `timeout_s` for the first; whether they are the last."""
        with self._changed:
            self._changed.wait_for(lambda: len(self._backlog) or self._ended, timeout_s)
            rows = self._backlog.take()
            self._changed.notify_all()
            return rows, self._ended
