"""Hint on how a user gets access to a device file."""

from __future__ import annotations

import getpass
import grp
import os
import stat
from pathlib import Path

READ, WRITE = stat.S_IRGRP, stat.S_IWGRP


def permission_hint(file: Path | str, rights: int) -> str:
    """Return in words how to get these rights of the file's group."""
    try:
        status = os.stat(file)
    except OSError as error:
        return f"its owner cannot be read ({error.strerror})"
    try:
        group = grp.getgrgid(status.st_gid).gr_name
    except KeyError:
        group = str(status.st_gid)
    has_rights = status.st_mode & rights == rights
    if status.st_gid == 0 or not has_rights:
        words = "it belongs to group {}" if has_rights else "not even its group {} has access"
        return f"{words.format(group)}; give it to a group of its own with a udev rule"
    try:
        user = getpass.getuser()
    except (KeyError, OSError):
        user = str(os.geteuid())
    return (
        f"it belongs to group {group}; run `sudo usermod -aG {group} {user}`,"
        " then log in again (or restart the service)"
    )
