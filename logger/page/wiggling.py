"""Wiggle session of the page: processes readings and applies the user's taps."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from logger.cautions import WIGGLE
from logger.errors import UsageError
from logger.live.reading import LiveReading
from logger.page.session import PageSession
from logger.store.work_session import WorkSession
from logger.wiggle.ranking import Ranked
from logger.wiggle.session import (
    KEY_DOWN_S,
    KIND,
    LEAST_KEY_DOWN_S,
    MOST_KEY_DOWN_S,
    ReadingOutcome,
    WiggleSession,
    new_state,
    restore,
)
from logger.wiggle.words import JOINTS, remark

MOST_JOINTS, MOST_NAME = 20, 40
SOON = 0.8  # share of the allowed key-down time after which the page warns


class Wiggling(PageSession[WiggleSession]):
    """Wiggle session in progress, if any."""

    name = "wiggle"

    def __init__(self, store: Path) -> None:
        super().__init__(WorkSession(store, KIND, restore, time.time_ns))
        self._latest = ReadingOutcome()
        self._excursions = 0  # since the page process started

    @property
    def step(self) -> int:
        """Number of the present step, -1 without a session."""
        session = self._work.session
        return -1 if session is None else 2 * session.state.index + session.state.moving

    async def apply(self, what: str, fields: Mapping[str, str]) -> None:
        """See PageSession."""
        step = fields.get("step", "")
        if what == "begin":
            await self.begin(fields.get("joints", ""), fields.get("seconds", ""))
        elif what == "resume":
            await self.resume(fields.get("seconds", ""))
        elif what == "next":
            await self.go_on(step)
        elif what == "again":
            await self.again(step)
        elif what == "end":
            await self.end()

    def values(self) -> dict[str, Any]:
        """See PageSession."""
        return {
            "session": self.view(),
            "ranked": self.ranked(),
            "unfinished": None if self.active else self.unfinished(),
            "names": JOINTS,
            "cautions": WIGGLE,
            "seconds": KEY_DOWN_S,
            "seconds_span": (LEAST_KEY_DOWN_S, MOST_KEY_DOWN_S),
        }

    async def begin(self, names: str, key_down_s: str) -> None:
        """Start a new session for joints given one per line, replacing an interrupted one."""
        session = WiggleSession(new_state(parse_joints(names)), parse_seconds(key_down_s))
        async with self._tap:
            await asyncio.to_thread(self._work.begin, session)

    async def resume(self, key_down_s: str) -> None:
        """Resume the interrupted session."""
        async with self._tap:
            if not self.active:
                limit_s = parse_seconds(key_down_s)
                session = await self._resume()
                session.limit_s = limit_s

    async def go_on(self, step: str) -> None:
        """Go from hands off to the next joint, or from a joint to hands off."""
        async with self._at(step) as session:
            if session is not None and not session.is_over:
                session.go_on()
                await self._save()

    async def again(self, step: str) -> None:
        """Repeat the joint."""
        async with self._at(step) as session:
            if session is not None:
                session.again()
                await self._save()

    async def end(self) -> None:
        """End the session."""
        async with self._tap:
            session = self._work.session
            if session is not None:
                await asyncio.to_thread(self._work.end, remark(session), "remark")

    def take(self, reading: LiveReading) -> None:
        """Process a reading of the feed."""
        if self._work.session is not None:
            self._latest = self._work.session.take(reading)
            self._excursions += self._latest.began

    def view(self) -> dict[str, Any] | None:
        """Return the state that the page shows, or None without a session."""
        session = self._work.session
        if session is None:
            return None
        state, down_s, latest = session.state, session.key_down_s(), self._latest
        return {
            "step": self.step,
            "moving": state.moving,
            "over": session.is_over,
            "joint": "" if session.is_over else state.joints[state.index].name,
            "place": f"joint {min(state.index + 1, len(state.joints))} of {len(state.joints)}",
            "departs": latest.departs,
            "readable": latest.readable,
            "heard": self._excursions,
            "too_long": latest.too_long,
            "soon": down_s > SOON * session.limit_s,
            "down_s": round(down_s),
            "most_s": round(session.limit_s),
            "hands_off": {
                "excursions": state.hands_off.excursions,
                "seconds": round(state.hands_off.seconds),
            },
            "joints": [
                {
                    "name": joint.name,
                    "excursions": joint.excursions,
                    "seconds": round(joint.seconds),
                    "now": state.moving and place == state.index,
                }
                for place, joint in enumerate(state.joints)
            ],
        }

    def ranked(self) -> list[Ranked]:
        """Return the joints moved so far, the most suspect first; empty without a session."""
        return [] if self._work.session is None else self._work.session.ranking()


def parse_joints(lines: str) -> list[str]:
    """Return the names of joints, given one per line. Raises UsageError."""
    names = [" ".join(line.split())[:MOST_NAME] for line in lines.splitlines() if line.strip()]
    if not 2 <= len(names) <= MOST_JOINTS or len(set(names)) < len(names):
        raise UsageError(f"name 2 to {MOST_JOINTS} joints, one per line, no duplicates")
    return names


def parse_seconds(text: str) -> float:
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
