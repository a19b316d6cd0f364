"""Guided work on the page: a session in progress, changed by taps and stored after each.

Sessions that measure test carriers take them from the store, where the daemon writes them as they
end. Used in the event loop only; the store is accessed on threads.
"""

from __future__ import annotations

import asyncio
import time
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from typing import Any, ClassVar, Generic, TypeVar

from logger.errors import MismatchdError, StoreError, UsageError
from logger.live.carrier import Carrier, first_after, newest_id
from logger.live.key_down import FIT_S, KeyDown
from logger.live.reading import LiveReading
from logger.page.drawings import Station
from logger.store.reader import Store
from logger.store.work_session import Resumable, Unfinished, WorkSession

LOOK_S = 0.5
AFTER_S = 8.0  # longest delay between key-up and the stored transmission

S = TypeVar("S", bound=Resumable)


class PageSession(ABC, Generic[S]):
    """Session in progress, if any; subclasses apply the taps, one after another.

    Methods raise StoreError if the store cannot be reached and UsageError if the input is invalid.

    name    of the page's address and its template
    """

    name: ClassVar[str]

    def __init__(self, work: WorkSession[S]) -> None:
        self._work = work
        self._tap = asyncio.Lock()

    @property
    @abstractmethod
    def step(self) -> int:
        """Number of the present step, -1 without a session."""

    @abstractmethod
    async def apply(self, what: str, fields: Mapping[str, str]) -> None:
        """Apply the tap `what` with the fields of its form."""

    async def pause(self, step: str) -> None:
        """Let go of the session; the terminal or the page can continue it."""
        async with self._at(step) as session:
            if session is not None:
                await asyncio.to_thread(self._work.pause)

    @abstractmethod
    def values(self) -> dict[str, Any]:
        """Return what the template of the page needs."""

    @abstractmethod
    def view(self) -> dict[str, Any] | None:
        """Return the state that is sent to the page ten times a second, None without a session."""

    @abstractmethod
    def take(self, reading: LiveReading) -> None:
        """Process a reading of the feed."""

    async def run(self) -> None:
        """Do what the session does without taps, until cancelled."""

    @property
    def active(self) -> bool:
        """True if a session is in progress."""
        return self._work.session is not None

    def unfinished(self) -> Unfinished[S] | None:
        """Return an interrupted session; None if none or unreadable."""
        return self._work.unfinished()

    async def close(self) -> None:
        """Store the session so that it can be resumed."""
        await asyncio.to_thread(self._work.pause)

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


class CarrierSession(PageSession[S]):
    """Session that measures transmissions; `changed` is called when there is something new."""

    def __init__(
        self, station: Station, work: WorkSession[S], changed: Callable[[PageSession[Any]], None]
    ) -> None:
        super().__init__(work)
        self._station, self._changed = station, changed
        self._last_id = 0  # of the transmissions that were taken
        self._until_s = 0.0
        self._step = 0
        self._message = ""
        self._key_down = KeyDown()
        self._hint = ""

    @property
    def step(self) -> int:
        """Number of the present step, -1 without a session."""
        return self._step if self.active else -1

    @abstractmethod
    def _waits(self, session: S) -> bool:
        """True if the next transmission is to be measured."""

    @abstractmethod
    async def _measure(self, session: S, carrier: Carrier) -> None:
        """Process a transmission. Raises MismatchdError with what the user has to know."""

    def view(self) -> dict[str, Any] | None:
        """See PageSession."""
        return {"step": self.step, "hint": self._hint} if self.active else None

    def take(self, reading: LiveReading) -> None:
        """See PageSession: a key-down means that a transmission will follow."""
        if reading.pairs:
            self._hint = " ".join(self._key_down.take(reading, time.monotonic()))
        if reading.keyed:
            self._until_s = time.monotonic() + AFTER_S

    async def run(self) -> None:
        """Look for new transmissions until cancelled."""
        while True:
            await asyncio.sleep(LOOK_S)
            if self.active and time.monotonic() < self._until_s:
                async with self._tap:
                    await self._look()

    async def _look(self) -> None:
        session = self._work.session
        if session is None or not self._waits(session):
            return
        with suppress(StoreError):
            carrier = await asyncio.to_thread(self._first)
            if carrier is None or carrier.id is None:
                return
            self._last_id = carrier.id
            try:
                if carrier.duration_s < FIT_S:
                    self._show(f"{carrier.duration_s:.1f} s is too short; key once more.")
                else:
                    await self._measure(session, carrier)
            except MismatchdError as error:
                self._show(f"{error}.")

    async def _listen(self, key_down: KeyDown | None = None) -> None:
        """Measure what ends from now on; `key_down` has the limits of power and time."""
        self._last_id = await asyncio.to_thread(self._newest)
        self._key_down = key_down or KeyDown()
        self._hint = ""

    def _show(self, message: str = "") -> None:
        self._message = message
        self._step += 1
        self._changed(self)

    def _first(self) -> Carrier | None:
        with Store.reader(self._station.store) as store:
            return first_after(store, self._last_id)

    def _newest(self) -> int:
        with Store.reader(self._station.store) as store:
            return newest_id(store)


def floor_message(carrier: Carrier) -> str:
    """Return what to do about a carrier that is too weak to be read."""
    return f"{carrier.forward_w:.2g} W is below the readable floor; use a little more."
