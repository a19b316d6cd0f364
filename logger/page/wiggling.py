"""Wiggle session of the page: processes readings and applies the user's taps.

Used in the event loop only; the store is accessed on threads. A tap carries the step it was made
at, so that a repeated tap counts once.
"""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from typing import Any

import msgspec

from logger.errors import UsageError
from logger.live.reading import LiveReading
from logger.store.sessions import Sessions
from logger.wiggle.ranking import Ranked
from logger.wiggle.session import (
    KEY_DOWN_S,
    LEAST_KEY_DOWN_S,
    MOST_KEY_DOWN_S,
    WiggleSession,
    WiggleState,
    found,
    fresh,
    kept,
)
from logger.wiggle.words import remark

KIND = "wiggle"
MOST_JOINTS, MOST_NAME = 20, 40
SOON = 0.8  # share of the allowed key-down time after which the page warns


class Wiggling:
    """Wiggle session in progress, if any.

    Methods raise StoreError if the store cannot be reached and UsageError if the input is invalid.
    """

    def __init__(self, store: Path) -> None:
        self._store = store
        self._session: WiggleSession | None = None
        self._number = 0
        self._key_down_s = float(KEY_DOWN_S)
        self._tap = asyncio.Lock()
        self._departs = self._too_long = self._readable = False
        self._heard = 0  # excursions since the page process started

    @property
    def active(self) -> bool:
        """True if a session is in progress."""
        return self._session is not None

    @property
    def step(self) -> int:
        """Number of the present step, -1 without a session."""
        session = self._session
        if session is None:
            return -1
        return 2 * session.state.at + session.state.moving

    async def begin(self, names: str, key_down_s: str) -> None:
        """Start a new session for joints given one per line, replacing an interrupted one."""
        joints = joints_of(names)
        async with self._tap:
            self._key_down_s = seconds_of(key_down_s)
            state = fresh(joints)
            self._number = await asyncio.to_thread(self._begin, kept(state))
            self._session = WiggleSession(state, self._key_down_s)

    async def resume(self, key_down_s: str) -> None:
        """Resume the interrupted session."""
        async with self._tap:
            if self._session is not None:
                return
            self._key_down_s = seconds_of(key_down_s)
            left = await asyncio.to_thread(self.unfinished)
            if left is None:
                raise UsageError("no session to continue; start one")
            self._number, state = left
            self._session = WiggleSession(state, self._key_down_s)

    async def go_on(self, step: str) -> None:
        """Go from hands off to the next joint, or from a joint to hands off."""
        async with self._tap:
            if self._session is not None and step == str(self.step) and not self._session.over:
                self._session.go_on()
                await self._keep(self._session)

    async def again(self, step: str) -> None:
        """Repeat the joint."""
        async with self._tap:
            if self._session is not None and step == str(self.step):
                self._session.again()
                await self._keep(self._session)

    async def end(self) -> None:
        """End the session."""
        async with self._tap:
            if self._session is not None:
                await asyncio.to_thread(self._end, self._session)
                self._session = None

    async def close(self) -> None:
        """Store the session so that it can be resumed."""
        if self._session is not None:
            await self._keep(self._session)

    def take(self, reading: LiveReading) -> None:
        """Process a reading of the feed."""
        if self._session is None:
            return
        heard = self._session.take(reading)
        self._departs, self._too_long = heard.departs, heard.too_long
        self._readable = heard.readable
        self._heard += heard.began

    def shown(self) -> dict[str, Any] | None:
        """Return the state that the page shows, or None without a session."""
        session = self._session
        if session is None:
            return None
        state, down_s = session.state, session.key_down_s()
        return {
            "step": self.step,
            "moving": state.moving,
            "over": session.over,
            "joint": "" if session.over else state.joints[state.at].name,
            "place": f"joint {min(state.at + 1, len(state.joints))} of {len(state.joints)}",
            "departs": self._departs,
            "readable": self._readable,
            "heard": self._heard,
            "too_long": self._too_long,
            "soon": down_s > SOON * self._key_down_s,
            "down_s": round(down_s),
            "most_s": round(self._key_down_s),
            "hands_off": {
                "excursions": state.hands_off.excursions,
                "seconds": round(state.hands_off.seconds),
            },
            "joints": [
                {
                    "name": each.name,
                    "excursions": each.excursions,
                    "seconds": round(each.seconds),
                    "now": state.moving and place == state.at,
                }
                for place, each in enumerate(state.joints)
            ],
        }

    def ranked(self) -> list[Ranked]:
        """Return the joints moved so far, the most suspect first; empty without a session."""
        return [] if self._session is None else self._session.ranking()

    def unfinished(self) -> tuple[int, WiggleState] | None:
        """Return id and state of an interrupted session; None if none or unreadable."""
        with Sessions.reader(self._store) as store:
            left = store.unfinished(KIND)
        try:
            return None if left is None else (left.id, found(left.content))
        except msgspec.DecodeError:
            return None

    async def _keep(self, session: WiggleSession) -> None:
        await asyncio.to_thread(self._write, self._number, kept(session.state))

    def _begin(self, content: bytes) -> int:
        with Sessions.editor(self._store) as store:
            return store.begin(KIND, time.time_ns(), content)

    def _write(self, number: int, content: bytes) -> None:
        with Sessions.editor(self._store) as store:
            store.update(number, time.time_ns(), content)

    def _end(self, session: WiggleSession) -> None:
        words, content = remark(session), kept(session.state)
        with Sessions.editor(self._store) as store:
            store.end(self._number, time.time_ns(), content, words, kind="remark")


def joints_of(lines: str) -> list[str]:
    """Return the names of joints, given one per line. Raises UsageError."""
    names = [" ".join(line.split())[:MOST_NAME] for line in lines.splitlines() if line.strip()]
    if not 2 <= len(names) <= MOST_JOINTS or len(set(names)) < len(names):
        raise UsageError(f"name 2 to {MOST_JOINTS} joints, one per line, no duplicates")
    return names


def seconds_of(text: str) -> float:
    """Return the longest allowed key-down in seconds. Raises UsageError."""
    try:
        seconds = int(text)
    except ValueError:
        seconds = 0
    if not LEAST_KEY_DOWN_S <= seconds <= MOST_KEY_DOWN_S:
        raise UsageError(
            f"give the longest key-down in whole seconds, {LEAST_KEY_DOWN_S} to {MOST_KEY_DOWN_S}"
        )
    return float(seconds)
