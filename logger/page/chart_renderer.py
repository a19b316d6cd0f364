"""Renders charts in a separate process, so that live readings are not delayed.

Caches the latest results and renders nothing twice at the same time.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import signal
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import wait
from typing import Any

from logger.errors import MismatchdError
from logger.extras import explain_missing
from logger.page.drawings import Station

CACHE_S = 120.0
MOST_CACHED = 24
MOST_WAITING = 8


class BusyError(MismatchdError):
    """Too many charts requested at once."""


class Rendering:
    """Process and cache that the stations of a page share. Used in one event loop only."""

    def __init__(self) -> None:
        self._pool: ProcessPoolExecutor | None = None
        self._cache: OrderedDict[tuple[Any, ...], tuple[float, asyncio.Future[Any]]] = OrderedDict()

    async def render(self, key: tuple[Any, ...], make: Callable[..., Any], *arguments: Any) -> Any:
        """Return the result of `make` with these arguments, rendered or cached under `key`.

        Raises BusyError, and the exceptions of `make`.
        """
        begun_s, chart = self._cache.pop(key, (0.0, None))
        if chart is None or (chart.done() and time.monotonic() - begun_s > CACHE_S):
            if sum(not future.done() for _, future in self._cache.values()) >= MOST_WAITING:
                raise BusyError("too many charts requested at once; try again in a moment")
            begun_s = time.monotonic()
            chart = asyncio.ensure_future(self._make(make, *arguments))
        self._cache[key] = begun_s, chart
        while len(self._cache) > MOST_CACHED:
            self._cache.popitem(last=False)
        try:
            return await asyncio.shield(chart)
        except MismatchdError:
            self._cache.pop(key, None)
            raise

    def close(self) -> None:
        """Terminate the process."""
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)

    async def _make(self, make: Callable[..., Any], *arguments: Any) -> Any:
        if self._pool is None:
            spawn = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(1, spawn, initializer=_set_up)
        loop = asyncio.get_running_loop()
        try:
            return await loop.run_in_executor(self._pool, make, *arguments)
        except ModuleNotFoundError as error:
            raise explain_missing(error, "this part of the page") from error
        except BrokenProcessPool:
            self._pool = None
            raise BusyError("the chart process stopped; try again") from None


class ChartRenderer:
    """Renders charts of a station."""

    def __init__(self, station: Station, rendering: Rendering) -> None:
        self._station, self._rendering = station, rendering

    async def render(self, make: Callable[..., Any], *arguments: Any) -> Any:
        """Return the result of `make` for the station and these arguments; see `Rendering`."""
        key = (self, make, *arguments)
        return await self._rendering.render(key, make, self._station, *arguments)


def _set_up() -> None:
    """Ignore Ctrl-C, which the parent handles; exit with the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    assert parent is not None

    def follow() -> None:
        wait([parent.sentinel])
        os._exit(0)

    threading.Thread(target=follow, daemon=True).start()
