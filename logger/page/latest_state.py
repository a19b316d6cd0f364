"""The newest state for all who look on: nothing queues, who is slow misses what was in between."""

from __future__ import annotations

import asyncio


class LatestState:
    """Used in one event loop only."""

    def __init__(self) -> None:
        self._text = ""
        self._number = 0
        self._changed = asyncio.Event()
        self.audience = 0  # how many look on

    def post(self, text: str) -> None:
        """Put up a new state."""
        self._text = text
        self._number += 1
        self._changed.set()
        self._changed = asyncio.Event()

    async def newer(self, number: int) -> tuple[int, str]:
        """The state and its number, as soon as that is another than `number`."""
        while self._number == number:
            await self._changed.wait()
        return self._number, self._text
