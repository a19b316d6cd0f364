"""Classification of SQLite failures by cause."""

from __future__ import annotations

import errno
import sqlite3

from logger.errors import StoreError

# Full, read-only, over a quota or a size limit: SQLite reports the latter as a failed write.
DISK = {sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR_WRITE}
NO_SPACE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
SIGNS = ("malformed", "not a database", "corrupt")  # parts of messages that indicate damage
PRIMARY = 0xFF  # mask of the primary part of a result code


def disk_takes_nothing(error: StoreError) -> bool:
    """True if the disk is the cause, which a restart of the daemon would not fix."""
    code = getattr(error.__cause__, "sqlite_errorcode", 0)
    return code in DISK or code & PRIMARY in DISK


def is_damage(error: Exception) -> bool:
    """True if SQLite reports damage of the file rather than a temporary failure."""
    return isinstance(error, sqlite3.DatabaseError) and any(sign in str(error) for sign in SIGNS)


def is_disk(error: Exception) -> bool:
    """True if the disk is full or fails."""
    if isinstance(error, OSError):
        return error.errno in NO_SPACE
    return getattr(error, "sqlite_errorcode", 0) & PRIMARY in (
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_IOERR,
    )
