"""Recognition of our databases, so that no other file is written to, renamed or deleted."""

from __future__ import annotations

import sqlite3
import stat
import struct
from pathlib import Path

from logger.errors import ForeignFileError

APPLICATION_ID = 0x6D6D7764  # "mmwd" in the header of our databases
MAGIC = b"SQLite format 3\0"
HEADER_BYTES = 100
ID_PLACE = 68  # of the application id in the header
TABLES = {"transmissions", "seconds", "alarms"}  # of databases older than the id
SCHEMA = b"CREATE TABLE transmissions"
SEARCHED_BYTES = 1 << 20


def expect_ours(
    path: Path, *, has_been_ours: bool = False, remedy: str = "Correct store.path"
) -> None:
    """Raise ForeignFileError if there is a file that was never a store; nothing is changed.

    `has_been_ours`: there is other evidence that it was, so that one that cannot be recognised is
    damaged. `remedy` ends the message.
    """
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # a folder, a device
            raise ForeignFileError(f"{path} is no regular file; it was not touched. {remedy}")
        with path.open("rb") as file:
            content = file.read(SEARCHED_BYTES)
    except OSError:  # there is none, or opening it will fail
        return
    if not content or not any(content):  # zeros are what a power cut may leave
        return
    if not _is_ours(path, content) and not (has_been_ours and not content.startswith(MAGIC)):
        raise ForeignFileError(
            f"{path} is not a store of this program; it was not touched. {remedy}"
        )


def _is_ours(path: Path, content: bytes) -> bool:
    if not content.startswith(MAGIC):
        return SCHEMA in content  # its first page is damaged
    if len(content) >= HEADER_BYTES:
        application_id = struct.unpack_from(">I", content, ID_PLACE)[0]
        if application_id:
            return bool(application_id == APPLICATION_ID)
    has_log = path.with_name(path.name + "-wal").exists()
    how = "mode=ro" if has_log else "immutable=1"  # which creates no files
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True)
    try:
        statement = "SELECT name FROM sqlite_master WHERE type = 'table'"
        names = {name for (name,) in connection.execute(statement)}
        return not names or names >= TABLES
    except sqlite3.Error:
        return SCHEMA in content
    finally:
        connection.close()
