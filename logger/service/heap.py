"""The heap of the process: one for all threads, that returns to the system what has been freed.

The allocator keeps freed memory for the next request, but a long-lived object above it keeps all of
it. Over days of blocks, merges and answers of servers that adds up to some megabytes.
"""

from __future__ import annotations

import contextlib
import ctypes

# Of glibc's malloc.h: freed memory above the heap's end is returned from this size on, and larger
# requests get pages of their own. Each of these pages costs as much as a pass over it.
M_TRIM_THRESHOLD, M_MMAP_THRESHOLD, M_ARENA_MAX = -1, -3, -8
ARRAY_BYTES = 1 << 17
RETURNED_BYTES, MAPPED_BYTES = 1 << 26, 1 << 25


def share_heap() -> None:
    """Use one heap for all threads, and memory outside it for arrays of some size (glibc).

    Separate heaps held some 20 MB more after a simulated week, and gaps that arrays of merged
    segments had left some 10 MB. Without a fixed limit, what is freed once raises it.
    """
    _set({M_ARENA_MAX: 1, M_MMAP_THRESHOLD: ARRAY_BYTES})


def keep_heap() -> None:
    """Keep freed memory for the next long block, where the C library can (glibc)."""
    _set({M_TRIM_THRESHOLD: RETURNED_BYTES, M_MMAP_THRESHOLD: MAPPED_BYTES})


def trim_heap() -> None:
    """Return free memory to the system, where the C library can (glibc)."""
    with contextlib.suppress(AttributeError):
        ctypes.CDLL(None).malloc_trim(0)


def _set(values: dict[int, int]) -> None:
    with contextlib.suppress(AttributeError):
        for option, value in values.items():
            ctypes.CDLL(None).mallopt(option, value)
