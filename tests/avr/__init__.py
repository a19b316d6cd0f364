"""The bridge's firmware, built with avr-gcc and run in simavr (board.c)."""

from __future__ import annotations

import contextlib
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.boards import Board
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
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            yield Board(process, process.stdin, process.stdout, master, port)
        finally:
            process.stdin.close()
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            process.stdout.close()
