"""A disk that stalls as a test demands and records what is written, seen by processes it starts."""

from __future__ import annotations

import mmap
import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from tests.servers import needed

SOURCE = Path(__file__).with_name("disk_preload.c")
HEAD = struct.Struct("qqqIIII")
CREATE, WRITE, TRUNCATE, SYNC, RENAME, UNLINK = range(6)


class Change(NamedTuple):
    """A change that has been made; `data` is what was written, or the new path."""

    time_ns: int  # of CLOCK_MONOTONIC
    kind: int
    inode: int
    offset: int  # or the new size
    path: str
    data: bytes


class Disk:
    """Files below `folder`; `environ` is for a process that uses them."""

    def __init__(self, scratch: Path, folder: Path, *, records: bool = False) -> None:
        library, page = scratch / "disk_preload.so", scratch / "stall"
        subprocess.run(
            [needed("gcc"), "-O2", "-Wall", "-Werror", "-shared", "-fPIC", "-o", library, SOURCE],
            check=True,
        )
        page.write_bytes(bytes(4))
        self._log = scratch / "changes"
        self.environ = {
            "LD_PRELOAD": str(library),
            "DISK_FOLDER": str(folder),
            "DISK_STALL": str(page),
        }
        if records:
            self.environ["DISK_LOG"] = str(self._log)
        with page.open("r+b") as file:
            self._page = mmap.mmap(file.fileno(), 4)

    def stall(self, stalls: bool = True) -> None:
        """Let every write and sync wait, or go on."""
        self._page[:] = struct.pack("i", stalls)

    def changes(self) -> Iterator[Change]:
        """Yield what was recorded."""
        data, place = self._log.read_bytes(), 0
        while place < len(data):
            time_ns, inode, offset, kind, path_size, size, _ = HEAD.unpack_from(data, place)
            place += HEAD.size
            path = data[place : place + path_size].decode()
            place += path_size
            yield Change(time_ns, kind, inode, offset, path, data[place : place + size])
            place += size
