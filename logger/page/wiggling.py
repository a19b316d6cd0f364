"""The one session of wiggling that goes on: what each reading and each tap does to it.

Used in the event loop only; the store is reached on threads. Taps say at which step they were made,
so that one made twice counts once.
"""

from __future__ import annotations

import asyncio
import time
from contextlib import closing
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
SOON = 0.8  # of the time that the key may be down: then it is said


class Wiggling:
    """Raises StoreError where the store cannot be reached, UsageError where a tap makes no
    sense."""

    def __init__(self, store: Path) -> None:
        self._store = store
        self._session: WiggleSession | None = None
        self._number = 0
        self._key_down_s = float(KEY_DOWN_S)
        self._tap = asyncio.Lock()
        self._departs = self._too_long = self._readable = False
        self._heard = 0  # excursions since the page began

    @property
    def active(self) -> bool:
        """Whether a session goes on."""
        return self._session is not None

    @property
    def step(self) -> int:
        """A number for the present step, another for each."""
        session = self._session
        if session is None:
            return -1
        return 2 * session.state.at + session.state.moving

    async def begin(self, names: str, key_down_s: str) -> None:
        """A new session for joints given as lines; one that could be resumed is over."""
        joints = joints_of(names)
        async with self._tap:
            self._key_down_s = seconds_of(key_down_s)
            state = fresh(joints)
            self._number = await asyncio.to_thread(self._begin, kept(state))
            self._session = WiggleSession(state, self._key_down_s)

    async def resume(self, key_down_s: str) -> None:
        """The session that was interrupted."""
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
        """From hands off to the next joint, or from a joint to hands off."""
        async with self._tap:
            if self._session is not None and step == str(self.step) and not self._session.over:
                self._session.go_on()
                await self._keep(self._session)

    async def again(self, step: str) -> None:
        """The joint once more."""
        async with self._tap:
            if self._session is not None and step == str(self.step):
                self._session.again()
                await self._keep(self._session)

    async def end(self) -> None:
        """That is all."""
        async with self._tap:
            if self._session is not None:
                await asyncio.to_thread(self._end, self._session)
                self._session = None

    async def close(self) -> None:
        """Keep what there is, to be resumed."""
        if self._session is not None:
            await self._keep(self._session)

    def take(self, reading: LiveReading) -> None:
        """Count a reading."""
        if self._session is None:
            return
        heard = self._session.take(reading)
        self._departs, self._too_long = heard.departs, heard.too_long
        self._readable = heard.readable
        self._heard += heard.began

    def shown(self) -> dict[str, Any] | None:
        """What the page shows, None if no session goes on."""
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
        """The joints moved so far, the most suspicious first; call it when `active`."""
        return [] if self._session is None else self._session.ranking()

    def unfinished(self) -> tuple[int, WiggleState] | None:
        """A session that was interrupted, if it can still be read."""
        with closing(Sessions.reader(self._store)) as store:
            left = store.unfinished(KIND)
        try:
            return None if left is None else (left.id, found(left.content))
        except msgspec.DecodeError:
            return None

    async def _keep(self, session: WiggleSession) -> None:
        await asyncio.to_thread(self._write, self._number, kept(session.state))

    def _begin(self, content: bytes) -> int:
        with closing(Sessions.reader(self._store)) as store:
            return store.begin(KIND, time.time_ns(), content)

    def _write(self, number: int, content: bytes) -> None:
        with closing(Sessions.reader(self._store)) as store:
            store.keep(number, time.time_ns(), content)

    def _end(self, session: WiggleSession) -> None:
        words, content = remark(session), kept(session.state)
        with closing(Sessions.reader(self._store)) as store:
            store.end(self._number, time.time_ns(), content, words, kind="remark")


def joints_of(lines: str) -> list[str]:
    """Names of joints, one a line. Raises UsageError."""
    names = [" ".join(line.split())[:MOST_NAME] for line in lines.splitlines() if line.strip()]
    if not 2 <= len(names) <= MOST_JOINTS or len(set(names)) < len(names):
        raise UsageError(f"name 2 to {MOST_JOINTS} joints, one per line, no duplicates")
    return names


def seconds_of(text: str) -> float:
    """How long the key may be down. Raises UsageError."""
    try:
        seconds = int(text)
    except ValueError:
        seconds = 0
    if not LEAST_KEY_DOWN_S <= seconds <= MOST_KEY_DOWN_S:
        raise UsageError(
            f"give the longest key-down in whole seconds, {LEAST_KEY_DOWN_S} to {MOST_KEY_DOWN_S}"
        )
    return float(seconds)
