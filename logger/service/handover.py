"""Transfer of rows from the capture thread to the store thread; giving never blocks."""

from __future__ import annotations

import socket
import threading

from logger.rows import Row
from logger.service.backlog import Backlog
from logger.store.journal import JournalNotes

MANY_ROWS = 4096  # a finite input waits while there are more


class Handover:
    """Ordered queue of rows from one thread to another.

    `can_wait` is True if the giving thread can wait for room (a file, not a device).
    `notes` goes the other way: what the pipeline has to know of the journal, set as a whole.
    """

    def __init__(self, *, can_wait: bool = False) -> None:
        self.can_wait = can_wait
        self._backlog = Backlog()
        self.notes = JournalNotes()
        self._ended = False
        self._waiting: list[socket.socket] = []
        self._changed = threading.Condition()

    def __len__(self) -> int:
        return len(self._backlog)

    @property
    def dropped(self) -> int:
        """Number of rows and pairs dropped because they were not taken in time."""
        return self._backlog.dropped

    def give(self, rows: list[Row]) -> None:
        """Hand rows over."""
        with self._changed:
            self._backlog.add(rows)
            self._changed.notify_all()

    def room(self, timeout_s: float) -> bool:
        """Wait up to `timeout_s` until few rows are left; return True if so."""
        with self._changed:
            return self._changed.wait_for(lambda: len(self._backlog) <= MANY_ROWS, timeout_s)

    def end(self) -> None:
        """Declare that nothing more will be given."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()

    def await_stored(self, client: socket.socket) -> None:
        """Have a client closed when the rows given so far are stored."""
        with self._changed:
            self._waiting.append(client)
            self._changed.notify_all()

    def take_waiting(self) -> list[socket.socket]:
        """Return the clients that wait until the rows of the next `take` are stored."""
        with self._changed:
            waiting, self._waiting = self._waiting, []
            return waiting

    def take(self, timeout_s: float) -> tuple[list[Row], bool]:
        """Return all rows, waiting up to `timeout_s`, and True if they are the last."""
        with self._changed:
            self._changed.wait_for(
                lambda: len(self._backlog) or self._waiting or self._ended, timeout_s
            )
            rows = self._backlog.take()
            self._changed.notify_all()
            return rows, self._ended
