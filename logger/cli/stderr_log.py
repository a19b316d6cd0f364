"""Log handler for stderr that never blocks.

Lines are written by a separate thread behind a bounded queue, so that a stuck terminal or pipe does
not block the daemon. On overflow lines are dropped and counted.
"""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import threading

from logger.wording import count

WAITING = 1000
END_S = 0.5  # time limit for writing the rest when the daemon ends
STDERR = 2


class StderrLog(logging.Handler):
    """Log handler that never blocks; close it at the end."""

    def __init__(self) -> None:
        super().__init__()
        self._queue: queue.Queue[str | None] = queue.Queue(WAITING)
        self._dropped = 0
        # sys.stderr is bypassed: a stuck write would hold its lock.
        self._thread = threading.Thread(target=self._work, name="log", daemon=True)
        self._thread.start()

    def emit(self, record: logging.LogRecord) -> None:
        """Queue a record."""
        try:
            self._queue.put_nowait(self.format(record))
        except queue.Full:
            self._dropped += 1

    def close(self) -> None:
        """Write the rest, within END_S."""
        with contextlib.suppress(queue.Full):
            self._queue.put(None, timeout=END_S)
        self._thread.join(END_S)
        super().close()

    def _work(self) -> None:
        while (text := self._queue.get()) is not None:
            if self._dropped:
                text += f"\ndropped {count(self._dropped, 'line')}: the reader was too slow"
                self._dropped = 0
            data = f"{text}\n".encode("utf-8", "backslashreplace")
            try:
                while data:
                    data = data[os.write(STDERR, data) :]
            except OSError:  # no reader is left, so there is nowhere to report it
                return
