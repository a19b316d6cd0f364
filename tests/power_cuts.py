"""Power cuts: what a disk may hold after one, from the changes that a process made to its files.

What was synced is there. Of the rest, any subset of the sectors of each file may be, since the
system writes them in any order; of the names of files, those up to some moment, since file systems
keep the order of those. A truncation counts as a change of the file. After a sync that failed, the
system takes what it could not write as written: a later sync does not write it again.
"""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from logger.store.writer import StoreWriter
from tests.disk import CREATE, FAILED_SYNC, RENAME, SYNC, TRUNCATE, UNLINK, WRITE, Change

SECTOR = 512
SHARES = (0.0, 0.1, 0.5, 0.9, 1.0)  # of the sectors that are written without a sync


@dataclass
class _File:
    synced: bytearray = field(default_factory=bytearray)
    pending: list[Change] = field(default_factory=list)


class Platter:
    """Content of the disk; `apply` changes, `cut` at any moment."""

    def __init__(self, randomness: random.Random) -> None:
        self._randomness = randomness
        self._files: dict[int, _File] = {}
        self._names: dict[str, int] = {}  # as synced
        self._renamed: list[Change] = []  # creations, renames and removals that are not

    def load(self, folder: Path) -> None:
        """Begin with the files that are in a folder."""
        for path in folder.iterdir():
            inode = path.stat().st_ino
            self._files[inode] = _File(bytearray(path.read_bytes()))
            self._names[str(path)] = inode

    def apply(self, change: Change) -> None:
        """Take in the next change."""
        file = self._files.setdefault(change.inode, _File())
        if change.kind in (CREATE, RENAME, UNLINK):
            self._renamed.append(change)
        elif change.kind in (WRITE, TRUNCATE):
            file.pending.append(change)
        elif change.kind == FAILED_SYNC:
            self._write_some(file.synced, file.pending)
            file.pending.clear()
        elif change.kind == SYNC:
            for write in file.pending:
                _change(file.synced, write)
            file.pending.clear()
            if change.inode not in self._names.values():  # a file or a folder whose names are new
                _rename(self._names, self._renamed)
                self._renamed.clear()

    def cut(self, folder: Path) -> None:
        """Write to `folder` what a power cut now may leave of the files."""
        names = dict(self._names)
        _rename(names, self._renamed[: self._randomness.randint(0, len(self._renamed))])
        for path, inode in names.items():
            file = self._files[inode]
            content = bytearray(file.synced)
            self._write_some(content, file.pending)
            (folder / Path(path).name).write_bytes(content)

    def _write_some(self, content: bytearray, changes: Sequence[Change]) -> None:
        share = self._randomness.choice(SHARES)
        for write in changes:
            for part in _sectors(write):
                if self._randomness.random() < share:
                    _change(content, part)


def _sectors(write: Change) -> Iterator[Change]:
    if write.kind == TRUNCATE:
        yield write
        return
    begin, end = write.offset, write.offset + len(write.data)
    while begin < end:
        until = min(end, (begin // SECTOR + 1) * SECTOR)
        data = write.data[begin - write.offset : until - write.offset]
        yield write._replace(offset=begin, data=data)
        begin = until


def _change(content: bytearray, change: Change) -> None:
    if change.kind == TRUNCATE:
        del content[change.offset :]
    content.extend(bytes(max(0, change.offset - len(content))))
    content[change.offset : change.offset + len(change.data)] = change.data


def _rename(names: dict[str, int], changes: Sequence[Change]) -> None:
    for change in changes:
        if change.kind == CREATE:
            names[change.path] = change.inode
        elif change.kind == UNLINK:
            names.pop(change.path, None)
        elif change.path in names:
            names[change.data.decode()] = names.pop(change.path)


@dataclass
class Stored:
    """Rows of a store that a power cut left, by table, with the time of each in nanoseconds."""

    alarm_changes: list[tuple[str, str, int]]
    faults: list[int]
    seconds: list[int]
    journal: list[str]


def read(path: Path) -> Stored:
    """Read a store as the next run finds it. Raise AssertionError if it is not sound."""
    StoreWriter.open(path).close()
    connection = sqlite3.connect(path)
    try:
        report = connection.execute("PRAGMA integrity_check").fetchall()
        assert report == [("ok",)], report
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        if not connection.execute("PRAGMA user_version").fetchone()[0]:
            return Stored([], [], [], [])
        return Stored(
            connection.execute(
                "SELECT a.kind, c.change, c.time_ns FROM alarm_changes c JOIN alarms a"
                " ON a.id = c.alarm_id"
            ).fetchall(),
            [row[0] for row in connection.execute("SELECT opened_ns FROM faults")],
            [row[0] for row in connection.execute("SELECT time_ns FROM seconds")],
            [row[0] for row in connection.execute("SELECT text FROM journal")],
        )
    finally:
        connection.close()
