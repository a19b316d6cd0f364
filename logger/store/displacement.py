"""A store whose file was deleted, renamed or replaced while it is open.

The connection still has the file, so nothing is lost: a renamed file gets its name back, a deleted
one is copied. A file that has taken its place is set aside.
"""

from __future__ import annotations

import logging
import os
from pathlib import Path

from logger.store.database import Database
from logger.store.durability import sync
from logger.store.salvage import NEW, exchange, free_name

log = logging.getLogger("mismatchd")


def put_back(database: Database) -> bool:
    """Put the file of an open database back at its path; return False if it has to be reopened.

    In that case its rows are in another file there. Raise StoreError, OSError.
    """
    path = database.path
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.exists():
        aside = path.with_name(free_name(path, "replaced"))
        path.rename(aside)
        log.error("%s was replaced by another file, which was renamed %s", path, aside.name)
    renamed = _find(path.parent, database.identity)
    if renamed is None:
        log.error("%s was deleted; writing its rows to a new file", path)
        database.copy_to(path.with_name(path.name + NEW))
        exchange(path)
        return False
    log.error("%s was renamed %s; its name is restored", path, renamed.name)
    for suffix in ("-wal", "-shm", ""):
        piece = renamed.with_name(renamed.name + suffix)
        target = path.with_name(path.name + suffix)
        if piece.exists() and not target.exists():
            piece.rename(target)
    sync(path.parent)
    return True


def _find(folder: Path, identity: tuple[int, int] | None) -> Path | None:
    with os.scandir(folder) as entries:
        for entry in entries:
            status = entry.stat(follow_symlinks=False)
            if (status.st_dev, status.st_ino) == identity:
                return folder / entry.name
    return None
