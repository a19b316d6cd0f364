"""Verified copies of a store: made while the daemon runs, and put back while it does not."""

from __future__ import annotations

import contextlib
import fcntl
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from logger.errors import StoreError
from logger.store.database import Database, connect
from logger.store.durability import sync
from logger.store.lock import StoreLock
from logger.store.ownership import expect_ours
from logger.store.reader import Store
from logger.store.salvage import NEW, exchange
from logger.store.schema import version_of

PART = ".part"
IN_USE = (".lock", "-wal")  # beside a store that a daemon uses or has used, not beside a copy


def back_up(store: Path, target: Path) -> dict[str, int]:
    """Copy a store to one file; return its number of rows by table. Raise StoreError.

    A store of an older version is copied as it is. The target appears or is replaced only when the
    copy is complete, verified and synced. The daemon writes on meanwhile; what it commits after the
    start is not in the copy.
    """
    Database.expect(store)
    expect_ours(store)
    expect_ours(target, remedy="Name another file")
    if target.exists() and target.samefile(store):
        raise StoreError(f"{target} is the store itself; name another file")
    if not target.parent.is_dir():
        raise StoreError(f"{target}: its folder does not exist; create it or name another file")
    if any(_beside(target, suffix).exists() for suffix in IN_USE):
        raise StoreError(f"{target} is the store of another station; name another file")
    part = _beside(target, PART)
    with _translate(target, "written"), _reserve(target.parent):
        with _open(store) as source:
            source.copy_to(part)
        with _open(part) as written:
            counts = Store(written).counts()
        part.rename(target)
        sync(target.parent)
    return counts


def restore(store: Path, source: Path) -> Path | None:
    """Put a copy in place of a store; return the path at which the former one was set aside.

    Raise StoreError, if a daemon uses the store, too.
    """
    with _translate(source, "read"):
        source.stat()
    expect_ours(source, remedy="Name a copy made by `mismatchd backup`")
    if store.exists() and source.samefile(store):
        raise StoreError(f"{source} is the store itself; name a copy")
    lock = StoreLock(store)
    try:
        part = _beside(store, PART)
        with _open(source) as database, _translate(store, "written"):
            database.copy_to(part)
        with _translate(store, "written"):
            owner = store.parent.stat()
            if os.geteuid() == 0:  # the daemon may be another user
                os.chown(part, owner.st_uid, owner.st_gid)
            part.rename(_beside(store, NEW))
            return exchange(store, "replaced")
    finally:
        lock.release()


@contextlib.contextmanager
def _open(copy: Path) -> Iterator[Database]:
    """Open a store or a copy, of any version up to the present one. Raise StoreError."""
    with _translate(copy, "read"):
        connection = connect(copy, "rw")
    with contextlib.closing(connection):
        with _translate(copy, "read"):
            version = version_of(connection)
        if version == 0:
            raise StoreError(f"{copy} is empty; name a copy made by `mismatchd backup`")
        yield Database(connection, copy)


@contextlib.contextmanager
def _reserve(folder: Path) -> Iterator[None]:
    """Keep others from making a copy in this folder, perhaps of the same name."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        with contextlib.suppress(OSError):  # file systems of networks may not lock folders
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                text = f"{folder}: another backup is being written there; try later"
                raise StoreError(text) from None
        yield
    finally:
        os.close(descriptor)


def _beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


@contextlib.contextmanager
def _translate(path: Path, action: str) -> Iterator[None]:
    try:
        yield
    except (OSError, sqlite3.Error) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise StoreError(f"{path}: cannot be {action}: {reason}") from error
