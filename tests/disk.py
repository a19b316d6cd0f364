"""A disk that stalls, fails and records what is written, seen by processes that a test starts."""

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
CREATE, WRITE, TRUNCATE, SYNC, RENAME, UNLINK, FAILED_SYNC, READ = range(8)
CONTROL = struct.Struct("7i")  # stall, pause_ms, kinds, every, error, count, failures
SHORT = 0  # in place of an error


class Change(NamedTuple):
    """A change that has been made; `data` is what was written, or the new path."""

    time_ns: int  # of CLOCK_MONOTONIC
    kind: int
    inode: int
    offset: int  # or the new size
    path: str
    data: bytes


class Control:
    """What the disk of a control file does; a process may control its own disk."""

    def __init__(self, path: Path) -> None:
        with path.open("r+b") as file:
            self._page = mmap.mmap(file.fileno(), CONTROL.size)

    def stall(self, stalls: bool = True) -> None:
        """Let every write and sync wait, or go on."""
        struct.pack_into("i", self._page, 0, stalls)

    def slow(self, pause_ms: int) -> None:
        """Let every write and sync take at least so long."""
        struct.pack_into("i", self._page, 4, pause_ms)

    def fail(self, error: int, *kinds: int, every: int = 1) -> None:
        """Let each so-many-th operation of these kinds fail with an error, or be cut SHORT."""
        self.heal()
        bits = sum(1 << kind for kind in kinds)
        struct.pack_into("5i", self._page, 8, bits, every, error, 0, 0)

    def heal(self) -> int:
        """Let nothing fail; return the number of failures since `fail`."""
        struct.pack_into("i", self._page, 12, 0)
        return int(CONTROL.unpack(self._page)[-1])


class Disk(Control):
    """Files below `folder`; `environ` is for a process that uses them."""

    def __init__(self, scratch: Path, folder: Path, *, records: bool = False) -> None:
        library, control = scratch / "disk_preload.so", scratch / "disk_control"
        subprocess.run(
            [needed("gcc"), "-O2", "-Wall", "-Werror", "-shared", "-fPIC", "-o", library, SOURCE],
            check=True,
        )
        control.write_bytes(bytes(CONTROL.size))
        super().__init__(control)
        self._log = scratch / "changes"
        self.environ = {
            "LD_PRELOAD": str(library),
            "DISK_FOLDER": str(folder),
            "DISK_CONTROL": str(control),
        }
        if records:
            self.environ["DISK_LOG"] = str(self._log)

    def forget(self) -> None:
        """Forget what was recorded."""
        self._log.write_bytes(b"")

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
