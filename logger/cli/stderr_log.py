"""Log lines on stderr, written by a thread of its own behind a bounded queue, so that a stuck
terminal or pipe holds up nothing; what does not fit is dropped, with a count."""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import threading

WAITING = 1000
END_S = 0.5  # for what is left when the daemon ends
STDERR = 2


class StderrLog(logging.Handler):
    """A handler that never blocks; to be closed at the end."""

    def __init__(self) -> None:
        super().__init__()
        self._queue: queue.Queue[str | None] = queue.Queue(WAITING)
        self._dropped = 0
        # Written past sys.stderr: its lock would be held by a write that is stuck.
        self._thread = threading.Thread(target=self._work, name="log", daemon=True)
        self._thread.start()

    def emit(self, record: logging.LogRecord) -> None:
        """Take a record."""
        try:
            self._queue.put_nowait(self.format(record))
        except queue.Full:
            self._dropped += 1

    def close(self) -> None:
        """Write what is left, if that goes quickly."""
        with contextlib.suppress(queue.Full):
            self._queue.put(None, timeout=END_S)
        self._thread.join(END_S)
        super().close()

    def _work(self) -> None:
        while (text := self._queue.get()) is not None:
            if self._dropped:
                text += f"\n{self._dropped} lines were dropped: the reader was too slow"
                self._dropped = 0
            data = f"{text}\n".encode("utf-8", "backslashreplace")
            try:
                while data:
                    data = data[os.write(STDERR, data) :]
            except OSError:  # nobody will ever read: there is nowhere left to say so
                return
