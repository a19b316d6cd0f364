"""Follows the daemon's feed on a thread while it has viewers; reports to the event loop."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from logger.live.client import Follower
from logger.live.reading import LiveReading

TURN_S = 0.25  # longest delay until a new viewer or the end is noticed
LINGER_S = 5.0  # the feed is kept open this long after the last viewer left

OnReadings = Callable[[Sequence[LiveReading], bool], None]


class Watcher:
    """Follows the feed.

    `on_readings` receives the new readings and True if the daemon is connected, at least four times
    a second.
    """

    def __init__(self, store: Path, on_readings: OnReadings) -> None:
        self._store, self._on_readings = store, on_readings
        self._wake, self._ended = threading.Event(), threading.Event()
        self._until_s = 0.0

    def keep_open(self) -> None:
        """Keep the feed open for LINGER_S: a viewer is present."""
        self._until_s = time.monotonic() + LINGER_S
        self._wake.set()

    async def run(self) -> None:
        """Follow the feed until cancelled."""
        loop = asyncio.get_running_loop()
        # Not of the loop's pool, which has fewer threads than there may be stations.
        thread = threading.Thread(target=self._work, args=(loop,), name="watcher", daemon=True)
        thread.start()
        try:
            await loop.create_future()
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
                        loop.call_soon_threadsafe(self._on_readings, (), False)
                    self._wake.wait()
                    self._wake.clear()
                    continue
                readings = follower.wait(TURN_S)
                if not self._ended.is_set():
                    loop.call_soon_threadsafe(self._on_readings, readings, follower.connected)
        finally:
            follower.close()
