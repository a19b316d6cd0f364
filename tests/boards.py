"""Boards that run the bridge's firmware, and how tests read them."""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
from collections.abc import Callable
from typing import IO, NamedTuple

import numpy as np

from drivers.contract import SampleBlock
from drivers.frames.driver import FramesDriver, FramesOptions
from tests.deadlines import Deadline


class Told(NamedTuple):
    """Something that happened on the board, at µs of its own time."""

    us: int
    what: str
    value: str


class Board:
    """A running board.

    words    what happens around it is written there
    reports  what it does is read there
    port     the name of its serial line; `master` is the board's end of it
    """

    def __init__(
        self,
        process: subprocess.Popen[bytes],
        words: IO[bytes],
        reports: IO[bytes],
        master: int,
        port: str,
    ) -> None:
        self.process = process
        self.master = master
        self.port = port
        self._words = words
        self._reports = reports
        os.set_blocking(reports.fileno(), False)
        self._rest = b""
        self.told: list[Told] = []

    def say(self, words: str) -> None:
        """Something for the board's surroundings; see `board.c` and `machine.py`."""
        self._words.write(words.encode() + b"\n")
        self._words.flush()

    def events(self, what: str) -> list[Told]:
        """What has happened of this kind."""
        with contextlib.suppress(BlockingIOError):
            while data := os.read(self._reports.fileno(), 65536):
                *lines, self._rest = (self._rest + data).split(b"\n")
                for text in lines:
                    us, kind, value = text.decode().split(" ", 2)
                    self.told.append(Told(int(us), kind, value))
        return [told for told in self.told if told.what == what]

    def wait(self, what: str, true: Callable[[list[Told]], bool], limit_s: float = 10) -> None:
        """Wait until what has happened of this kind is as wanted."""
        deadline = Deadline(limit_s)
        while not true(self.events(what)):
            assert not deadline.has_passed(), self.told
            assert self.process.poll() is None, self.told
            time.sleep(0.005)


class Reader:
    """Reads a board by the driver, and keeps the parts."""

    def __init__(self, board: Board, port: str | None = None, **options: int) -> None:
        self.driver = FramesDriver(FramesOptions(port=port or board.port, **options))
        self.parts: list[SampleBlock] = []
        self.notices: list[str] = []
        self.driver.open_or_wait()

    def read(self, seconds: float = 5.0, until: Callable[[], bool] = lambda: False) -> None:
        end_s = time.monotonic() + seconds
        while not until() and time.monotonic() < end_s:
            self._take()

    def until(self, true: Callable[[], bool], limit_s: float = 10.0) -> None:
        deadline = Deadline(limit_s)
        while not true():
            assert not deadline.has_passed(), (self.driver.counters, self.notices)
            self._take()

    def _take(self) -> None:
        part = self.driver.read(0.05, 0.0)
        if part is not None:
            self.parts.append(part)
        self.notices += self.driver.notices()

    def more(self, parts: int) -> None:
        """Read so many more parts."""
        first = len(self.parts)
        self.until(lambda: len(self.parts) >= first + parts)

    def until_volts(self, forward_v: float, reflected_v: float, within_v: float) -> None:
        """Read until the pins show these volts."""

        def shown() -> bool:
            last = self.parts[-1] if self.parts else None
            return (
                last is not None
                and abs(last.forward_v[-1] - forward_v) <= within_v
                and abs(last.reflected_v[-1] - reflected_v) <= within_v
            )

        self.until(shown)

    def joined(self, name: str, first: int = 0) -> np.ndarray:
        return np.concatenate([getattr(part, name) for part in self.parts[first:]])
