"""Newest state of a live page, as server-sent events (WHATWG HTML, 9.2) at a limited rate.

Nothing queues: slow viewers miss intermediate states. A viewer first gets a state that is posted
after it came, and the id of each event is the time since then, ms: it bounds the time in transit.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

from starlette.types import Receive, Scope, Send

MOST_STREAMS = 100  # on all live pages together
LEAST_S = 0.02  # minimum time between two events
SEND_S = 20.0  # a client that accepts nothing for this long is disconnected
START = b"retry: 1000\n\n"
HEADERS = [(b"content-type", b"text/event-stream; charset=utf-8"), (b"cache-control", b"no-store")]


class LatestState:
    """Newest state of a live page, with a sequence number. Used in one event loop only."""

    def __init__(self) -> None:
        self._text = ""
        self.number = 0
        self._changed = asyncio.Event()
        self.audience = 0  # number of viewers

    def post(self, text: str) -> None:
        """Replace the state and wake all waiting viewers."""
        self._text = text
        self.number += 1
        self._changed.set()
        self._changed = asyncio.Event()

    async def newer(self, number: int) -> tuple[int, str]:
        """Wait for a number other than `number`; return that number and the state."""
        while self.number == number:
            await self._changed.wait()
        return self.number, self._text


class Events:
    """Event stream that continues until the visitor leaves."""

    def __init__(self, board: LatestState, on_visit: Callable[[], None]) -> None:
        self._board, self._on_visit = board, on_visit

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """See ASGI."""
        self._board.audience += 1
        self._on_visit()
        writing = asyncio.ensure_future(self._write(send))
        disconnect = asyncio.ensure_future(_wait_for_disconnect(receive))
        try:
            await asyncio.wait((writing, disconnect), return_when=asyncio.FIRST_COMPLETED)
        finally:
            self._board.audience -= 1
            for task in (writing, disconnect):
                task.cancel()
            await asyncio.gather(writing, disconnect, return_exceptions=True)

    async def _write(self, send: Send) -> None:
        begun_s, number = time.monotonic(), self._board.number
        await send({"type": "http.response.start", "status": 200, "headers": HEADERS})
        await send({"type": "http.response.body", "body": START, "more_body": True})
        while True:
            number, text = await self._board.newer(number)
            age_ms = int(1000 * (time.monotonic() - begun_s))
            body = f"id: {age_ms}\ndata: {text}\n\n".encode()
            async with asyncio.timeout(SEND_S):
                await send({"type": "http.response.body", "body": body, "more_body": True})
            await asyncio.sleep(LEAST_S)


async def _wait_for_disconnect(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
