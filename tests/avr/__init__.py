"""The bridge's firmware, built with avr-gcc and run in simavr (board.c)."""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.servers import needed
from tests.station import pty

HERE = Path(__file__).parent
FIRMWARE = HERE.parents[1] / "drivers/frames/firmware/avr"
SIMAVR = Path("/usr/include/simavr/sim_avr.h")


def build(folder: Path, **options: object) -> Path:
    """The firmware with these options of its Makefile; skips if the tools are missing."""
    needed("avr-gcc")
    arguments = [f"{name}={value}" for name, value in options.items()]
    subprocess.run(
        [needed("make"), "-s", "-C", FIRMWARE, f"BUILD={folder}", *arguments],
        check=True,
        capture_output=True,
    )
    return folder / "bridge.elf"


def build_board(folder: Path) -> Path:
    """The emulator; skips if its library is missing."""
    if not SIMAVR.exists():
        assert os.environ.get("CI") != "true", "libsimavr-dev must be installed"
        pytest.skip("libsimavr-dev is not installed: the firmware cannot be run")
    board = folder / "board"
    include = "-I" + str(SIMAVR.parent)
    subprocess.run(
        [needed("gcc"), "-O2", include, HERE / "board.c", "-o", board, "-lsimavr"],
        check=True,
        capture_output=True,
    )
    return board


class Told(NamedTuple):
    """Something that happened on the board, at µs of its own time."""

    us: int
    what: str
    value: str


class Board:
    """A running board. `port` is the name of its serial line, `master` the board's end of it."""

    def __init__(self, process: subprocess.Popen[bytes], master: int, port: str) -> None:
        self.process = process
        self.master = master
        self.port = port
        self._rest = b""
        self.told: list[Told] = []

    def say(self, words: str) -> None:
        """Something for the board's surroundings; see board.c."""
        assert self.process.stdin is not None
        self.process.stdin.write(words.encode() + b"\n")
        self.process.stdin.flush()

    def events(self, what: str) -> list[Told]:
        """What has happened of this kind."""
        assert self.process.stdout is not None
        with contextlib.suppress(BlockingIOError):
            while data := os.read(self.process.stdout.fileno(), 65536):
                *lines, self._rest = (self._rest + data).split(b"\n")
                for text in lines:
                    us, kind, value = text.decode().split(" ", 2)
                    self.told.append(Told(int(us), kind, value))
        return [told for told in self.told if told.what == what]

    def wait(self, what: str, true: Callable[[list[Told]], bool], limit_s: float = 10) -> None:
        """Wait until what has happened of this kind is as wanted."""
        until_s = time.monotonic() + limit_s
        while not true(self.events(what)):
            assert time.monotonic() < until_s, self.told
            assert self.process.poll() is None, self.told
            time.sleep(0.005)


@contextlib.contextmanager
def running(board: Path, firmware: Path, speed: float = 1.0) -> Iterator[Board]:
    """The firmware on a board, so many times as fast as real time."""
    with pty() as (master, port):
        process = subprocess.Popen(
            [board, firmware, str(master), str(speed)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            pass_fds=[master],
        )
        assert process.stdout is not None
        os.set_blocking(process.stdout.fileno(), False)
        try:
            yield Board(process, master, port)
        finally:
            assert process.stdin is not None
            process.stdin.close()
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            process.stdout.close()
