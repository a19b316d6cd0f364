"""Verified copies of a store: made while the daemon runs, and put back while it does not."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from logger.errors import StoreError
from logger.store.database import Database, connect, copy
from logger.store.durability import sync
from logger.store.lock import StoreLock
from logger.store.ownership import expect_ours
from logger.store.reader import Store
from logger.store.salvage import PIECES
from logger.store.schema import version_of

PART = ".part"
REMEDY = "Name another file"


def back_up(store: Path, target: Path) -> dict[str, int]:
    """Copy a store to one file; return its number of rows by table. Raise StoreError.

    The target appears or is replaced only when the copy is complete, verified and synced. The
    daemon writes on meanwhile; what it commits after the start is not in the copy.
    """
    Database.expect(store)
    expect_ours(store)
    expect_ours(target, remedy=REMEDY)
    if not target.parent.is_dir():
        raise StoreError(f"{target}: its folder does not exist")
    if target.exists() and target.samefile(store):
        raise StoreError(f"{target} is the store itself; name another file")
    part = _beside(target, PART)
    with _translate(target):
        with Store.reader(store) as source:
            source.database.copy_to(part)
        with Store.reader(part) as written:
            counts = written.counts()
        part.rename(target)
        sync(target.parent)
    return counts


def restore(store: Path, source: Path) -> Path | None:
    """Put a copy in place of a store; return the path at which the former one was set aside.

    Raise StoreError, if a daemon uses the store, too.
    """
    Database.expect(source)
    expect_ours(source, remedy=REMEDY)
    lock = StoreLock(store)
    try:
        with _translate(store):
            part = _beside(store, PART)
            with contextlib.closing(connect(source, "rw")) as connection:
                version_of(connection)
                copy(connection, part)
            owner = store.parent.stat()
            if os.geteuid() == 0:  # the daemon may be another user
                os.chown(part, owner.st_uid, owner.st_gid)
            aside = _set_aside(store)
            part.rename(store)
            sync(store.parent)
            return aside
    finally:
        lock.release()


def _set_aside(store: Path) -> Path | None:
    if not store.exists():
        return None
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = _beside(store, f".replaced-{stamp}")
    for suffix in PIECES:
        piece = _beside(store, suffix)
        if piece.exists():
            piece.rename(_beside(aside, suffix))
    return aside


def _beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


@contextlib.contextmanager
def _translate(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"{path}: cannot be written: {error}") from error
