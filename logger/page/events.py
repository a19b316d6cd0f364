"""Server-sent events (WHATWG HTML, 9.2) of the newest state, at a limited rate."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from starlette.types import Receive, Scope, Send

from logger.page.latest_state import LatestState

MOST_STREAMS = 100  # on all live pages together
LEAST_S = 0.1  # minimum time between two events
SEND_S = 20.0  # a client that accepts nothing for this long is disconnected
START = b"retry: 1000\n\n"
HEADERS = [(b"content-type", b"text/event-stream; charset=utf-8"), (b"cache-control", b"no-store")]


class Events:
    """Event stream that continues until the visitor leaves."""

    def __init__(self, board: LatestState, came: Callable[[], None]) -> None:
        self._board, self._came = board, came

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """See ASGI."""
        self._board.audience += 1
        self._came()
        writing = asyncio.ensure_future(self._write(send))
        leaving = asyncio.ensure_future(_left(receive))
        try:
            await asyncio.wait((writing, leaving), return_when=asyncio.FIRST_COMPLETED)
        finally:
            self._board.audience -= 1
            for task in (writing, leaving):
                task.cancel()
            await asyncio.gather(writing, leaving, return_exceptions=True)

    async def _write(self, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": HEADERS})
        await send({"type": "http.response.body", "body": START, "more_body": True})
        number = 0
        while True:
            number, text = await self._board.newer(number)
            body = f"data: {text}\n\n".encode()
            async with asyncio.timeout(SEND_S):
                await send({"type": "http.response.body", "body": body, "more_body": True})
            await asyncio.sleep(LEAST_S)


async def _left(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
