"""Tuning session of the page: takes test transmissions and applies the user's taps.

Advice is computed on threads.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from typing import Any

from logger.cautions import TUNE
from logger.errors import UsageError
from logger.live.carrier import Carrier, SwrReading
from logger.live.key_down import KeyDown
from logger.page.drawings import Station
from logger.page.session import CarrierSession, PageSession, floor_message
from logger.store.work_session import WorkSession
from logger.tune.advice import TuningAdvice
from logger.tune.frequency import FrequencyFinder, Where, parse_where
from logger.tune.positions import (
    UNITS,
    Adjustment,
    ChannelReading,
    parse_setting,
    parse_unit,
)
from logger.tune.session import (
    KIND,
    TEST_W,
    TuningSession,
    TuningState,
    frequencies,
    restore,
)
from logger.tune.words import findings, keyed, line, outcome, place, setting


class Adjusting(CarrierSession[TuningSession]):
    """Tuning session in progress, if any."""

    name = "tune"

    def __init__(self, station: Station, changed: Callable[[PageSession[Any]], None]) -> None:
        super().__init__(station, WorkSession(station.store, KIND, restore, time.time_ns), changed)
        self._advice: TuningAdvice | None = None
        # Reading and transmission whose channel the user has to give.
        self._pending: tuple[SwrReading, int | None] | None = None
        self._finder = FrequencyFinder(station.options)

    # taps

    async def apply(self, what: str, fields: Mapping[str, str]) -> None:
        """See PageSession."""
        step = fields.get("step", "")
        if what == "begin":
            await self.begin(fields)
        elif what == "resume":
            await self.resume()
        elif what == "set":
            await self.set(fields.get("at", ""), step)
        elif what == "channel":
            await self.channel(fields.get("channel", ""), step)
        elif what == "forget":
            await self.forget(step)
        elif what == "end":
            await self.end()

    async def begin(self, fields: Mapping[str, str]) -> None:
        """Start a new session, replacing an interrupted one."""
        present = _parse_setting(fields.get("at", ""))
        adjustment = parse_adjustment(fields, present)
        async with self._tap:
            session = TuningSession(TuningState(adjustment, None, self._station.line_db))
            session.set(present)
            await self._start()
            await asyncio.to_thread(self._work.begin, session)
            await self._update(session)

    async def resume(self) -> None:
        """Resume the interrupted session."""
        async with self._tap:
            if not self.active:
                await self._start()
                await self._update(await self._resume())

    async def set(self, setting: str, step: str) -> None:
        """Record the present setting of the antenna."""
        value = _parse_setting(setting)
        async with self._at(step) as session:
            if session is not None:
                session.set(value, None if self._advice is None else self._advice.to)
                await self._update(session)

    async def channel(self, text: str, step: str) -> None:
        """Set the channel of the last transmission."""
        where = parse_where(text, self._station.options.channels)
        if where is None:
            raise UsageError("give a channel of the plan, or a frequency like 27.205")
        async with self._at(step) as session:
            if session is not None and self._pending is not None:
                pending, self._pending = self._pending, None
                await self._add(session, *pending, where)

    async def forget(self, step: str) -> None:
        """Discard the last reading."""
        async with self._at(step) as session:
            if session is not None:
                if self._pending is None:
                    session.forget()
                self._pending = None
                await self._update(session)

    async def end(self) -> None:
        """End the session; if anything was moved, add a journal entry."""
        async with self._tap:
            session = self._work.session
            if session is not None:
                await asyncio.to_thread(self._end, session.state)

    # transmissions

    def _waits(self, session: TuningSession) -> bool:
        return self._pending is None

    async def _measure(self, session: TuningSession, carrier: Carrier) -> None:
        swr = carrier.reading
        if swr is None:
            self._show(floor_message(carrier))
        elif (where := self._finder.find(carrier)) is None:
            self._pending = swr, carrier.id
            self._show(f"Recorded SWR {swr.swr:.2f}.")
        else:
            await self._add(session, swr, carrier.id, where)

    async def _add(
        self, session: TuningSession, swr: SwrReading, transmission_id: int | None, where: Where
    ) -> None:
        channel, khz = where
        reading = ChannelReading(khz, *swr, channel, transmission_id)
        session.take(reading)
        await self._update(session, f"Recorded {keyed(reading)}.")

    async def _update(self, session: TuningSession, message: str = "") -> None:
        """Store the session and compute advice from its readings."""
        await self._save()
        self._advice = await asyncio.to_thread(session.advice) if session.ready else None
        self._show(message)

    async def _start(self) -> None:
        """Forget what belongs to an earlier session."""
        await self._listen(KeyDown(TEST_W))
        self._advice = self._pending = None
        self._finder = FrequencyFinder(self._station.options)
        self._step = 0

    # display

    def values(self) -> dict[str, Any]:
        """See PageSession."""
        return {
            "session": self._details(),
            "unfinished": None if self.active else self.unfinished(),
            "cautions": TUNE,
        }

    def _details(self) -> dict[str, Any] | None:
        session = self._work.session
        if session is None:
            return None
        state, unit = session.state, session.state.adjustment.unit
        advice = self._advice
        to = None if advice is None else advice.to
        return {
            "step": self.step,
            "hint": self._hint,
            "session": self._work.id,
            "place": f"position {len(state.positions)}",
            "here": setting(unit, session.present.setting),
            "unit": unit,
            "readings": [
                {
                    "place": place(reading),
                    "swr": f"{reading.swr:.2f}",
                    "low": f"{reading.swr_low:.2f}",
                    "high": f"{reading.swr_high:.2f}",
                }
                for reading in session.present.readings
            ],
            "before": [
                line(state.adjustment, position)
                for position in state.positions[:-1]
                if position.readings
            ],
            "said": [self._message] if self._message else [],
            "asked": self._pending is not None,
            "known": sorted(f"{khz / 1e3:.3f}" for khz in frequencies(state.positions[0])),
            "findings": [] if advice is None else list(findings(state, advice)),
            "to": None if to is None else f"{to:g}",
            "to_words": "" if to is None else setting(unit, to),
            "verb": "Cut it to" if state.adjustment.cut else "Set it to",
            "complete": session.complete,
            "drawable": bool(state.read),
        }

    def _end(self, state: TuningState) -> None:
        self._work.end(outcome(state) if state.has_moved else None)


def parse_adjustment(fields: Mapping[str, str], present: float) -> Adjustment:
    """Return what is adjusted, by a form; `present` is the setting. Raises UsageError."""
    unit = parse_unit(fields.get("unit"))
    if unit is None:
        raise UsageError(f"choose the quantity adjusted: {', '.join(UNITS)}")
    length = fields.get("length", "").strip()
    length_mm = (_parse_setting(length) if length else present) if unit == "mm" else None
    if length_mm is not None and not 0 < present <= length_mm:
        raise UsageError(
            "give lengths above 0 mm, the whole element no shorter than the present setting"
        )
    return Adjustment(
        unit,
        longer=fields.get("longer", "more") != "less",
        length_mm=length_mm,
        cut=fields.get("cut", "") == "yes",
    )


def _parse_setting(text: str) -> float:
    value = parse_setting(text)
    if value is None:
        raise UsageError("give the setting as a number")
    return value
