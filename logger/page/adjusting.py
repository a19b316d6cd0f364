"""Antenna-adjusting session of the page: captures test transmissions and applies the user's taps.

Used in the event loop only; the store is read and advice computed on threads. Transmissions are
read from the store, where the daemon writes them as they end.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Any, get_args

import msgspec

from logger.errors import StoreError, UsageError
from logger.live.carrier import Carrier, after, newest_id
from logger.live.reading import LiveReading as Live
from logger.page.drawings import Station
from logger.store.reader import Store
from logger.store.sessions import Sessions
from logger.tune.advice import TuningAdvice
from logger.tune.frequency import Where, parsed, told
from logger.tune.positions import Adjustment, ChannelReading, Unit
from logger.tune.session import TuningSession, TuningState, found, frequencies, kept
from logger.tune.words import findings, keyed, line, outcome, place, setting

KIND = "tune"
LOOK_S = 0.5
AFTER_S = 8.0  # longest delay between key-up and the stored transmission
FIT_S = 0.5  # shorter transmissions are too inaccurate
MOST = 1e6


class Adjusting:
    """Adjusting session in progress, if any.

    `changed` is called when there is something new to show. Methods raise StoreError if the store
    cannot be reached and UsageError if the input is invalid.
    """

    def __init__(self, station: Station, changed: Callable[[], None]) -> None:
        self._station, self._changed = station, changed
        self._session: TuningSession | None = None
        self._number = self._last_id = 0
        self._advice: TuningAdvice | None = None
        self._asked: Carrier | None = None  # waits for the user to give its channel
        self._tells = False  # True if the bridge reports the channel
        self._said: list[str] = []
        self._until_s = 0.0
        self._tap = asyncio.Lock()
        self.step = -1

    @property
    def active(self) -> bool:
        """True if a session is in progress."""
        return self._session is not None

    @property
    def number(self) -> int:
        """Database id of the session."""
        return self._number

    # taps

    async def begin(self, fields: Mapping[str, str]) -> None:
        """Start a new session, replacing an interrupted one."""
        at = _number(fields.get("at", ""))
        adjustment = _adjustment(fields, at)
        async with self._tap:
            session = TuningSession(TuningState(adjustment, None, self._station.line_db))
            session.set(at)
            content = kept(session.state)
            self._number = await asyncio.to_thread(self._begun, content)
            await self._follow(session)

    async def resume(self) -> None:
        """Resume the interrupted session."""
        async with self._tap:
            if self._session is not None:
                return
            left = await asyncio.to_thread(self.unfinished)
            if left is None:
                raise UsageError("no session to continue; start one")
            self._number, state = left
            await self._follow(TuningSession(state))

    async def set(self, at: str, step: str) -> None:
        """Record that the antenna is now set to `at`."""
        value = _number(at)
        async with self._tap:
            if self._session is not None and step == str(self.step):
                self._session.set(value, None if self._advice is None else self._advice.to)
                await self._judge(self._session)

    async def channel(self, text: str, step: str) -> None:
        """Set the channel of the last transmission."""
        where = parsed(text)
        if where is None:
            raise UsageError("give a channel from 1 to 40, or a frequency like 27.205")
        async with self._tap:
            if self._session is not None and self._asked is not None and step == str(self.step):
                asked, self._asked = self._asked, None
                await self._take(self._session, asked, where)

    async def forget(self, step: str) -> None:
        """Discard the last reading."""
        async with self._tap:
            if self._session is not None and step == str(self.step):
                if self._asked is not None:
                    self._asked = None
                else:
                    self._session.forget()
                await self._judge(self._session)

    async def end(self) -> None:
        """End the session; if anything was moved, add a journal entry."""
        async with self._tap:
            if self._session is not None:
                await asyncio.to_thread(self._ended, self._session.state)
                self._session, self.step = None, -1

    async def close(self) -> None:
        """Store the session so that it can be resumed."""
        if self._session is not None:
            await asyncio.to_thread(self._keep, kept(self._session.state))

    # transmissions

    def take(self, reading: Live) -> None:
        """Process a reading of the feed: a key-down means that a transmission will follow."""
        if reading.keyed:
            self._until_s = time.monotonic() + AFTER_S

    async def run(self) -> None:
        """Look for new transmissions until cancelled."""
        while True:
            await asyncio.sleep(LOOK_S)
            if self._session is None or time.monotonic() > self._until_s:
                continue
            async with self._tap:
                if self._session is None or self._asked is not None:
                    continue
                with suppress(StoreError):
                    caught = await asyncio.to_thread(self._look)
                    if caught is not None and caught.id is not None:
                        self._last_id = caught.id
                        await self._caught(self._session, caught)

    async def _caught(self, session: TuningSession, caught: Carrier) -> None:
        if caught.duration_s < FIT_S:
            self._say(f"{caught.duration_s:.1f} s is too short; key once more.")
        elif caught.swr is None or caught.swr_low is None or caught.swr_high is None:
            self._say(f"{caught.forward_w:.2g} W is below the readable floor; use a little more.")
        else:
            where = told(caught, self._station.options, sure=self._tells)
            self._tells = self._tells or where is not None
            if where is None:
                self._asked = caught
                self._say(f"Caught SWR {caught.swr:.2f}.")
            else:
                await self._take(session, caught, where)

    async def _take(self, session: TuningSession, caught: Carrier, where: Where) -> None:
        assert caught.swr is not None
        assert caught.swr_low is not None
        assert caught.swr_high is not None
        channel, khz = where
        reading = ChannelReading(
            khz, caught.swr, caught.swr_low, caught.swr_high, channel, caught.id
        )
        session.take(reading)
        await self._judge(session, f"Caught {keyed(reading)}.")

    async def _judge(self, session: TuningSession, said: str = "") -> None:
        """Store the session and compute advice from its readings."""
        await asyncio.to_thread(self._keep, kept(session.state))
        self._advice = await asyncio.to_thread(session.advice) if session.ready else None
        self._say(said)

    def _say(self, text: str) -> None:
        self._said = [text] if text else []
        self.step += 1
        self._changed()

    async def _follow(self, session: TuningSession) -> None:
        self._last_id = await asyncio.to_thread(self._newest)
        self._session, self._asked, self._tells, self.step = session, None, False, 0
        await self._judge(session)

    # display

    def shown(self) -> dict[str, Any] | None:
        """Return the state that the page shows, or None without a session."""
        session = self._session
        if session is None:
            return None
        state, unit = session.state, session.state.adjustment.unit
        advice = self._advice
        usual = session.next_khz
        return {
            "step": self.step,
            "session": self._number,
            "place": f"position {len(state.positions)}",
            "here": setting(unit, session.here.setting),
            "unit": unit,
            "readings": [
                {
                    "place": place(each),
                    "swr": f"{each.swr:.2f}",
                    "low": f"{each.swr_low:.2f}",
                    "high": f"{each.swr_high:.2f}",
                }
                for each in session.here.readings
            ],
            "before": [line(state.adjustment, one) for one in state.positions[:-1] if one.readings],
            "said": self._said,
            "asked": self._asked is not None,
            "guesses": [] if usual is None else [f"{usual / 1e3:.3f}"],
            "known": sorted(f"{khz / 1e3:.3f}" for khz in frequencies(state.positions[0])),
            "findings": [] if advice is None else list(findings(state, advice)),
            "to": None if advice is None or advice.to is None else f"{advice.to:g}",
            "to_words": "" if advice is None or advice.to is None else setting(unit, advice.to),
            "verb": "Cut it to" if state.adjustment.cut else "Set it to",
            "complete": session.complete,
            "drawable": bool(state.read),
        }

    def unfinished(self) -> tuple[int, TuningState] | None:
        """Return id and state of an interrupted session; None if none or unreadable."""
        with Sessions.reader(self._station.store) as store:
            left = store.unfinished(KIND)
        try:
            return None if left is None else (left.id, found(left.content))
        except msgspec.MsgspecError:
            return None

    # on threads

    def _look(self) -> Carrier | None:
        with Store.reader(self._station.store) as store:
            return after(store, self._last_id)

    def _newest(self) -> int:
        with Store.reader(self._station.store) as store:
            return newest_id(store)

    def _begun(self, content: bytes) -> int:
        with Sessions.editor(self._station.store) as store:
            return store.begin(KIND, time.time_ns(), content)

    def _keep(self, content: bytes) -> None:
        with Sessions.editor(self._station.store) as store:
            store.update(self._number, time.time_ns(), content)

    def _ended(self, state: TuningState) -> None:
        moved = len({one.setting for one in state.read}) > 1
        words = outcome(state) if moved else None
        with Sessions.editor(self._station.store) as store:
            store.end(self._number, time.time_ns(), kept(state), words)


def _adjustment(fields: Mapping[str, str], at: float) -> Adjustment:
    unit = fields.get("unit", "")
    if unit not in get_args(Unit):
        raise UsageError(f"choose the quantity adjusted: {', '.join(get_args(Unit))}")
    typed = fields.get("length", "").strip()
    length = (_number(typed) if typed else at) if unit == "mm" else None
    if length is not None and not 0 < at <= length:
        raise UsageError("give lengths above 0 mm, the whole element no shorter than what is set")
    return Adjustment(
        unit,  # type: ignore[arg-type]
        longer=fields.get("longer", "more") != "less",
        length_mm=length,
        cut=fields.get("cut", "") == "yes",
    )


def _number(text: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = MOST
    if not abs(value) < MOST:
        raise UsageError("give the setting as a number")
    return value
