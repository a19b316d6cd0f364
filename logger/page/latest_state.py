"""Newest state for all viewers. Nothing queues: slow viewers miss intermediate states."""

from __future__ import annotations

import asyncio


class LatestState:
    """Newest state of a live page, with a sequence number. Used in one event loop only."""

    def __init__(self) -> None:
        self._text = ""
        self._number = 0
        self._changed = asyncio.Event()
        self.audience = 0  # number of viewers

    def post(self, text: str) -> None:
        """Replace the state and wake all waiting viewers."""
        self._text = text
        self._number += 1
        self._changed.set()
        self._changed = asyncio.Event()

    async def newer(self, number: int) -> tuple[int, str]:
        """Wait for a number other than `number`; return that number and the state."""
        while self._number == number:
            await self._changed.wait()
        return self._number, self._text
