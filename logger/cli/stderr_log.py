"""Log handler for stderr that never blocks, and the forms of its lines.

Lines are written by a separate thread behind a bounded queue, so that a stuck terminal or pipe does
not block the daemon. On overflow lines are dropped and counted. A line is plain text with the time;
under the service manager, text with the priority that its journal reads; or a JSON object.
"""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import threading
import time
from collections.abc import Mapping

import msgspec

from logger.utc import format_ns
from logger.wording import count

WAITING = 1000
END_S = 0.5  # time limit for writing the rest when the daemon ends
STDERR = 2
# Priorities after syslog(3).
PRIORITIES = {
    logging.DEBUG: 7,
    logging.INFO: 6,
    logging.WARNING: 4,
    logging.ERROR: 3,
    logging.CRITICAL: 2,
}


def is_journal(environ: Mapping[str, str], descriptor: int = STDERR) -> bool:
    """True if the descriptor is the stream to the journal that $JOURNAL_STREAM names."""
    with contextlib.suppress(OSError):
        status = os.fstat(descriptor)
        return environ.get("JOURNAL_STREAM") == f"{status.st_dev}:{status.st_ino}"
    return False


def formatter(form: str, environ: Mapping[str, str]) -> logging.Formatter:
    """Return the formatter for `json` or `text`, which depends on where stderr leads."""
    if form == "json":
        return JsonFormatter()
    if is_journal(environ):
        return JournalFormatter()
    plain = logging.Formatter("%(asctime)sZ %(message)s", "%H:%M:%S")
    plain.converter = time.gmtime
    return plain


class JournalFormatter(logging.Formatter):
    """Every line with the priority that the journal reads; the journal has the time."""

    def format(self, record: logging.LogRecord) -> str:
        head = f"<{PRIORITIES[record.levelno]}>"
        return "\n".join(head + line for line in super().format(record).splitlines() or [""])


class JsonFormatter(logging.Formatter):
    """A JSON object a line: `time_utc`, `priority` after syslog(3), `level`, `message`."""

    def format(self, record: logging.LogRecord) -> str:
        line = {
            "time_utc": format_ns(round(record.created * 1e6) * 1000),
            "priority": PRIORITIES[record.levelno],
            "level": record.levelname.lower(),
            "message": super().format(record),
        }
        return msgspec.json.encode(line).decode()


class StderrLog(logging.Handler):
    """Log handler that never blocks; close it at the end."""

    def __init__(self, form: logging.Formatter) -> None:
        super().__init__()
        self.setFormatter(form)
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
                text += "\n" + self.format(self._overflow())
                self._dropped = 0
            data = f"{text}\n".encode("utf-8", "backslashreplace")
            try:
                while data:
                    data = data[os.write(STDERR, data) :]
            except OSError:  # no reader is left, so there is nowhere to report it
                return

    def _overflow(self) -> logging.LogRecord:
        text = f"dropped {count(self._dropped, 'line')}: the reader was too slow"
        return logging.LogRecord("mismatchd", logging.WARNING, __file__, 0, text, None, None)
