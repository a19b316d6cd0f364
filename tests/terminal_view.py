"""A command in a terminal of our own, and what is on its screen."""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable

import pyte

from tests.deadlines import Deadline


class View:
    """`mismatchd ARGUMENTS` in a terminal of `columns` by `rows`; `raw` is all it has sent."""

    def __init__(self, *arguments: str, columns: int = 80, rows: int = 24, **environ: str) -> None:
        self.master, self._slave = os.openpty()
        fcntl.ioctl(self._slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        self.modes = termios.tcgetattr(self._slave)
        self.raw = b""
        self._screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self._screen)
        dull = {"NO_COLOR", "COLUMNS", "LINES"}
        own = {name: value for name, value in os.environ.items() if name not in dull}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "logger.cli", *arguments],
            stdin=self._slave,
            stdout=self._slave,
            stderr=self._slave,
            env={**own, "TERM": "xterm-256color", "LC_ALL": "C.UTF-8", **environ},
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # for Ctrl-C
        )

    def look(self, seconds: float = 0.0) -> str:
        """What is on the screen after so long."""
        until_s = time.monotonic() + seconds
        while select.select([self.master], [], [], max(0.0, until_s - time.monotonic()))[0]:
            data = os.read(self.master, 65536)
            self.raw += data
            self._stream.feed(data)
        return "\n".join(self._screen.display)

    def until(self, seen: Callable[[str], bool], seconds: float = 15.0) -> str:
        """The screen as soon as it is as wanted."""
        deadline = Deadline(seconds)
        while not seen(screen := self.look(0.05)):
            assert not deadline.has_passed(), screen
            assert self.process.poll() is None, screen
        return screen

    def press(self, keys: bytes) -> None:
        """Press keys."""
        os.write(self.master, keys)

    def ended(self, seconds: float = 5.0) -> int:
        """The exit code, with all that was sent taken in; the terminal must be as it was."""
        deadline = Deadline(seconds)
        while (code := self.process.poll()) is None:
            self.look(0.05)
            assert not deadline.has_passed(), "the view does not end"
        self.look(0.05)
        assert termios.tcgetattr(self._slave) == self.modes
        return code

    def close(self) -> None:
        """End it if it still runs."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        for descriptor in (self.master, self._slave):
            with contextlib.suppress(OSError):
                os.close(descriptor)
