"""Follows the daemon's feed while somebody wants it, on a thread; tells in the event loop."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from logger.live.client import Follower
from logger.live.reading import LiveReading

TURN_S = 0.25  # how soon a change of what is wanted, and the end, are noticed
LINGER_S = 5.0  # the feed is kept for so long after the last one has left

Told = Callable[[Sequence[LiveReading], bool], None]


class Watcher:
    """`told` gets the readings that have come and whether a daemon is there, four times a second
    at least."""

    def __init__(self, store: Path, told: Told) -> None:
        self._store, self._told = store, told
        self._wake, self._ended = threading.Event(), threading.Event()
        self._until_s = 0.0

    def wanted(self) -> None:
        """Somebody looks on at this moment."""
        self._until_s = time.monotonic() + LINGER_S
        self._wake.set()

    async def run(self) -> None:
        """Until cancelled."""
        loop = asyncio.get_running_loop()
        try:
            await asyncio.to_thread(self._work, loop)
        finally:
            self._ended.set()
            self._wake.set()

    def _work(self, loop: asyncio.AbstractEventLoop) -> None:
        follower = Follower(self._store)
        try:
            while not self._ended.is_set():
                if time.monotonic() > self._until_s:
                    if follower.connected:
                        follower.close()
                        loop.call_soon_threadsafe(self._told, (), False)
                    self._wake.wait()
                    self._wake.clear()
                    continue
                readings = follower.wait(TURN_S)
                if not self._ended.is_set():
                    loop.call_soon_threadsafe(self._told, readings, follower.connected)
        finally:
            follower.close()
