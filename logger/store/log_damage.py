"""Commits in a write-ahead log that SQLite cannot read: it ignores what follows damage.

The format of the log is that of "WAL-mode File Format" in SQLite's documentation: a header of 32
bytes, then frames of 24 bytes and a page each. The checksums of a frame include all before it.
"""

from __future__ import annotations

import struct

import numpy as np

HEADER_BYTES = 32
FRAME_BYTES = 24  # before its page
SALT = slice(16, 24)  # of the header, and of a frame:
FRAME_SALT = slice(8, 16)
COMMIT = slice(4, 8)  # of a frame: not 0 in the last one of a commit
BIG_ENDIAN = 1  # lowest bit of the magic number: byte order of the checksums


def count_lost_commits(log: bytes, page_bytes: int, valid_frames: int) -> int:
    """Return the number of commits after the first `valid_frames`, which SQLite can read.

    Frames of an earlier use of the log, which has other salts, do not count.
    """
    if len(log) < HEADER_BYTES:
        return 0
    size = FRAME_BYTES + page_bytes
    number = (len(log) - HEADER_BYTES) // size
    if number == 0:
        return 0
    data = np.frombuffer(log, np.uint8, number * size, HEADER_BYTES).reshape(number, size)
    header = np.frombuffer(log, np.uint8, HEADER_BYTES)
    salt = header[SALT] if _is_sound(log) else data[0, FRAME_SALT]
    is_ours = (data[:, FRAME_SALT] == salt).all(axis=1)
    is_commit = data[:, COMMIT].any(axis=1)
    return int((is_ours & is_commit)[max(0, valid_frames) :].sum())


def _is_sound(log: bytes) -> bool:
    """True if the checksum of the header is right."""
    order = ">" if log[3] & BIG_ENDIAN else "<"
    words = struct.unpack_from(f"{order}6I", log)
    first = second = 0
    for even, odd in zip(words[::2], words[1::2], strict=True):
        first = (first + even + second) & 0xFFFFFFFF
        second = (second + odd + first) & 0xFFFFFFFF
    return (first, second) == struct.unpack_from(">2I", log, 24)
