"""A wall clock that a test sets as it likes, seen by the processes it starts."""

from __future__ import annotations

import mmap
import struct
import subprocess
from pathlib import Path

from tests.servers import needed

SOURCE = Path(__file__).with_name("clock_preload.c")
SYNCHRONISED, NOT_SYNCHRONISED = 0, 5  # what adjtimex() says


class WallClock:
    """`environ` for a process; `set` steps its wall clock while it runs."""

    def __init__(self, folder: Path) -> None:
        library, page = folder / "clock_preload.so", folder / "clock"
        subprocess.run(
            [needed("gcc"), "-O2", "-Wall", "-Werror", "-shared", "-fPIC", "-o", library, SOURCE],
            check=True,
        )
        page.write_bytes(struct.pack("qq", 0, NOT_SYNCHRONISED))
        self.environ = {"LD_PRELOAD": str(library), "CLOCK_PRELOAD": str(page)}
        with page.open("r+b") as file:
            self._page = mmap.mmap(file.fileno(), 16)

    def set(self, ahead_s: float, state: int = NOT_SYNCHRONISED) -> None:
        """So far ahead of the true time, and what the kernel says of it."""
        self._page[:] = struct.pack("qq", round(ahead_s * 1e9), state)
