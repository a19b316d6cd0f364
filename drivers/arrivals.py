"""Reading of bytes from a link as they arrive: few wake-ups, bounded in a flood."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from drivers.recording import Chunk

SLEEP_FROM_S = 0.01
FLOOD_BYTES = 2048  # from this size on, a chunk is not left to accumulate for long
MOST_BYTES = 1 << 20  # most bytes taken in one read
DRAIN_S = 0.05
DEFER_S = 1.0  # longest time for which quiet data is left to accumulate
BEHIND_S = 2.0  # data has been waiting all this time: it arrives faster than it can be processed,
KEPT_BYTES = 1 << 16  # so only the newest is processed


class Link(Protocol):
    """What bytes arrive on; `drivers.serial_link.SerialLink` describes each part."""

    generation: int
    away: str | None
    counters: dict[str, int]

    def open(self, *, wait: bool = False) -> None: ...

    def read(self, timeout_s: float) -> bytes: ...

    def notices(self) -> list[str]: ...

    def close(self) -> None: ...


class Arrivals:
    """Reads an open link.

    reopened        called after the link is reopened, before its new data is returned
    flood_linger_s  how long a large amount of data may accumulate in the kernel; 0: it is returned
                    without lingering
    """

    def __init__(
        self,
        link: Link,
        reopened: Callable[[], None],
        *,
        now_ns: Callable[[], int],
        monotonic: Callable[[], float],
        sleep: Callable[[float], None],
        flood_linger_s: float = 0.0,
    ) -> None:
        self._link = link
        self._reopened = reopened
        self._now_ns = now_ns
        self._monotonic = monotonic
        self._sleep = sleep
        self._flood_linger_s = flood_linger_s
        self._generation = link.generation
        self._is_new = False  # nothing has come since the link was reopened
        self._waiting = False  # more was waiting than was taken
        self._behind_s: float | None = None  # start of the overload

    def begin(self) -> None:
        """Note that the owner has opened the link itself."""
        self._generation = self._link.generation

    def read(
        self,
        timeout_s: float,
        linger_s: float,
        is_quiet: Callable[[bytes], bool] = lambda data: False,
    ) -> list[Chunk]:
        """Return data arriving within `timeout_s`, and for up to `linger_s` after the first.

        A long linger is spent asleep, because each wake-up costs more than processing a line, and
        is repeated for up to DEFER_S while `is_quiet` says that what has come can wait. The first
        data of a link that was reopened does not wait: it ends an absence.
        """
        self._waiting = False
        first = self._chunk(timeout_s)
        if first is None:
            return []
        chunks = [first]
        defer_s, self._is_new = 0.0 if self._is_new else DEFER_S, False
        if len(first.data) >= FLOOD_BYTES:
            until_s = self._monotonic() + linger_s
            self._waiting = self._drain(chunks)
            while self._flood_linger_s and not self._waiting:
                left_s = until_s - self._monotonic()
                if left_s <= 0:
                    break
                self._sleep(min(left_s, self._flood_linger_s))
                self._waiting = self._drain(chunks)
        elif linger_s >= SLEEP_FROM_S:
            until_s = self._monotonic() + defer_s - linger_s
            goes_on = True
            while goes_on:
                self._sleep(linger_s)
                later = self._chunk(0.0)
                if later is None:
                    break
                pause_ns = later.arrival_ns - chunks[-1].arrival_ns
                chunks.append(later._replace(pause_ns=pause_ns))
                goes_on = self._monotonic() < until_s and is_quiet(later.data)
        else:
            until_s = self._monotonic() + linger_s
            while (wait_s := until_s - self._monotonic()) > 0:
                chunk = self._chunk(wait_s)
                if chunk is None:
                    break
                chunks.append(chunk)
        return chunks

    def newest(self, chunks: list[Chunk]) -> tuple[list[Chunk], list[Chunk]]:
        """Split the chunks read last into those to drop and those to process.

        All are processed, unless data has arrived faster than it can be processed for a while.
        """
        if not self._waiting:
            self._behind_s = None
            return [], chunks
        now_s = self._monotonic()
        if self._behind_s is None:
            self._behind_s = now_s
        if now_s - self._behind_s < BEHIND_S:
            return [], chunks
        size, first = 0, len(chunks)
        while first and size < KEPT_BYTES:
            first -= 1
            size += len(chunks[first].data)
        return chunks[:first], chunks[first:]

    @property
    def waiting(self) -> bool:
        """True if more was waiting than was taken."""
        return self._waiting

    def _drain(self, chunks: list[Chunk]) -> bool:
        """Take the waiting data; return True if some is left."""
        until_s = self._monotonic() + DRAIN_S
        size = len(chunks[0].data)
        while size < MOST_BYTES and self._monotonic() < until_s:
            chunk = self._chunk(0.0)
            if chunk is None:
                return False
            chunks.append(chunk)
            size += len(chunk.data)
        return True

    def _chunk(self, timeout_s: float) -> Chunk | None:
        data = self._link.read(timeout_s)
        if self._link.generation != self._generation:
            self._generation = self._link.generation
            self._is_new = True
            self._reopened()
        return Chunk(self._now_ns(), data) if data else None
