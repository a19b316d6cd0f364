"""The heap of the process: returns to the system what has been freed.

The allocator keeps freed memory for the next request, but a long-lived object above it keeps all of
it. Over days of blocks, merges and answers of servers that adds up to some megabytes.
"""

from __future__ import annotations

import contextlib
import ctypes

# Of glibc's malloc.h: freed memory above the heap's end is returned from this size on, and larger
# requests get pages of their own. Each of these pages costs as much as a pass over it.
M_TRIM_THRESHOLD, RETURNED_BYTES = -1, 1 << 26
M_MMAP_THRESHOLD, MAPPED_BYTES = -3, 1 << 25


def trim_heap() -> None:
    """Return free memory to the system, where the C library can (glibc)."""
    with contextlib.suppress(AttributeError):
        ctypes.CDLL(None).malloc_trim(0)


def keep_heap() -> None:
    """Keep freed memory for the next long block, where the C library can (glibc)."""
    with contextlib.suppress(AttributeError):
        library = ctypes.CDLL(None)
        library.mallopt(M_TRIM_THRESHOLD, RETURNED_BYTES)
        library.mallopt(M_MMAP_THRESHOLD, MAPPED_BYTES)
