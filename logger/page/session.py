"""Guided work on the page: a session in progress, changed by taps and stored after each.

Used in the event loop only; the store is accessed on threads.
"""

from __future__ import annotations

import asyncio
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Generic, TypeVar

from logger.errors import UsageError
from logger.store.work_session import Resumable, Unfinished, WorkSession

S = TypeVar("S", bound=Resumable)


class PageSession(ABC, Generic[S]):
    """Session in progress, if any; subclasses apply the taps, one after another.

    Methods raise StoreError if the store cannot be reached and UsageError if the input is invalid.
    """

    def __init__(self, work: WorkSession[S]) -> None:
        self._work = work
        self._tap = asyncio.Lock()

    @property
    @abstractmethod
    def step(self) -> int:
        """Number of the present step, -1 without a session."""

    @property
    def active(self) -> bool:
        """True if a session is in progress."""
        return self._work.session is not None

    def unfinished(self) -> Unfinished[S] | None:
        """Return an interrupted session; None if none or unreadable."""
        return self._work.unfinished()

    async def close(self) -> None:
        """Store the session so that it can be resumed."""
        await self._save()

    @asynccontextmanager
    async def _at(self, step: str) -> AsyncIterator[S | None]:
        """Hold back other taps; yield the session, None if it is at another step.

        So a repeated tap counts once.
        """
        async with self._tap:
            yield self._work.session if step == str(self.step) else None

    async def _resume(self) -> S:
        unfinished = await asyncio.to_thread(self._work.unfinished)
        if unfinished is None:
            raise UsageError("no session to continue; start one")
        self._work.resume(unfinished)
        return unfinished.session

    async def _save(self) -> None:
        # Readings may come meanwhile: the state is encoded without releasing the interpreter lock.
        await asyncio.to_thread(self._work.save)
