"""Small disks that can be filled: a tmpfs where mounts are allowed, a limit on file size elsewhere.

The limit stands for a full disk in that writes fail; there is no `statvfs` to see it by.
"""

from __future__ import annotations

import contextlib
import os
import resource
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

SIZE = 4 << 20


class Tmpfs:
    """A file system of SIZE bytes at `folder`."""

    prefix: tuple[str, ...] = ()

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def fill(self, pid: int | None = None) -> None:
        """Leave not a byte."""
        with contextlib.suppress(OSError), (self.folder / "ballast").open("ab", 0) as file:
            for size in (1 << 16, 1 << 12, 1):
                with contextlib.suppress(OSError):
                    while True:
                        file.write(bytes(size))
        assert os.statvfs(self.folder).f_bavail == 0

    def free(self, pid: int | None = None) -> None:
        """Make room again."""
        (self.folder / "ballast").unlink()


class Limit:
    """A process of which no file may grow, from its start (`prefix`) or later."""

    prefix = ("prlimit", "--fsize=0:")

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def fill(self, pid: int | None = None) -> None:
        """Let no file grow."""
        if pid is not None:
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))

    def free(self, pid: int | None = None) -> None:
        """Let files grow again."""
        assert pid is not None
        unlimited = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
        resource.prlimit(pid, resource.RLIMIT_FSIZE, unlimited)


Disk = Tmpfs | Limit


def mounted(folder: Path, *options: str) -> subprocess.CompletedProcess[bytes]:
    """Try to mount a tmpfs of SIZE bytes."""
    listed = ",".join([f"size={SIZE}", *options])
    return subprocess.run(
        ["mount", "-t", "tmpfs", "-o", listed, "tmpfs", str(folder)],
        capture_output=True,
        check=False,
    )


@contextlib.contextmanager
def disk(kind: str, folder: Path) -> Iterator[Disk]:
    """A disk of that kind, `tmpfs` or `limit`, at `folder`."""
    folder.mkdir()
    if kind == "limit":
        yield Limit(folder)
        return
    done = mounted(folder)
    if done.returncode:
        pytest.skip(f"no mounts here: {done.stderr.decode().strip()}")
    try:
        yield Tmpfs(folder)
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)
