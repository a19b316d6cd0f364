"""What SQLite says about the cause of a failure."""

from __future__ import annotations

import errno
import sqlite3

from logger.errors import StoreError

# Full, read-only, over a quota or a limit of size: SQLite tells the latter as a failed write.
DISK = {sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR_WRITE}
NO_SPACE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
SIGNS = ("malformed", "not a database", "corrupt")  # of damage
PRIMARY = 0xFF  # the bits of a result code that are not its refinement


def disk_takes_nothing(error: StoreError) -> bool:
    """Whether the disk is the cause, which a new start of the daemon would not mend."""
    code = getattr(error.__cause__, "sqlite_errorcode", 0)
    return code in DISK or code & PRIMARY in DISK


def is_damage(error: Exception) -> bool:
    """Whether SQLite means the file and not the moment."""
    return isinstance(error, sqlite3.DatabaseError) and any(sign in str(error) for sign in SIGNS)


def is_disk(error: Exception) -> bool:
    """Whether the disk is full or fails."""
    if isinstance(error, OSError):
        return error.errno in NO_SPACE
    return getattr(error, "sqlite_errorcode", 0) & PRIMARY in (
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_IOERR,
    )
