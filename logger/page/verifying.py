"""Check of the coupler on the page: load, reference meter, open end, verdict."""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from logger.calibration.bench_session import LOW_W
from logger.cautions import VERIFY, VERIFY_OPEN
from logger.errors import MismatchdError, UsageError
from logger.live.carrier import Carrier
from logger.live.key_down import KeyDown
from logger.live.measuring import keyed_reading
from logger.page.drawings import Station
from logger.page.session import CarrierSession, PageSession
from logger.store.verifications import Verifications
from logger.store.work_session import WorkSession
from logger.verification import words
from logger.verification.session import (
    KIND,
    LOAD_S,
    OPEN_S,
    RESTART,
    VerificationSession,
    VerificationState,
    is_plausible,
    progress,
    restore,
)
from logger.wording import parse_positive


class Verifying(CarrierSession[VerificationSession]):
    """Verification in progress, if any, or the result of the last one."""

    name = "verify"

    def __init__(self, station: Station, changed: Callable[[PageSession[Any]], None]) -> None:
        work = WorkSession(station.store, KIND, restore, time.time_ns)
        super().__init__(station, work, changed)
        self._coupler = station.coupler
        self._result: Sequence[str] = ()

    async def apply(self, what: str, fields: Mapping[str, str]) -> None:
        """See PageSession."""
        if what in ("begin", "resume"):
            await self._begin(anew=what == "begin")
            return
        async with self._at(fields.get("step", "")) as session:
            if session is None:
                return
            if what == "meter":
                self._take_meter(session.state, fields.get("watts", ""))
            elif what == "open":
                session.state.has_open = fields.get("open") == "yes"
            elif what == "end":
                await asyncio.to_thread(self._work.end)
            await self._advance(session)

    async def _begin(self, *, anew: bool) -> None:
        async with self._tap:
            if anew:
                session = VerificationSession(VerificationState())
                await asyncio.to_thread(self._work.begin, session)
            elif not self.active:
                session = await self._resume()
            else:
                return
            self._result, self._message = (), ""
            await self._advance(session)

    def _take_meter(self, state: VerificationState, text: str) -> None:
        if state.load is None:
            return
        shown_w = parse_positive(text) if text.strip() else None
        if text.strip() and (shown_w is None or not is_plausible(shown_w, state.load)):
            raise UsageError(
                f"the coupler read {state.load.keying.forward_w:.3g} W; give what the meter showed"
                " meanwhile, in W"
            )
        state.has_meter, state.reference_w = shown_w is not None, shown_w

    async def _advance(self, session: VerificationSession) -> None:
        """Store the state; listen for what is keyed next, or conclude."""
        if self.active:
            await self._save()
        stage = stage_of(session.state)
        if stage == "over" and self.active:
            await asyncio.to_thread(self._conclude, session)
        elif stage == "load":
            await self._listen(KeyDown(math.inf, LOAD_S))
        elif stage == "open-end":
            await self._listen(KeyDown(2 * LOW_W, OPEN_S))
        self._show(self._message)

    def _waits(self, session: VerificationSession) -> bool:
        return stage_of(session.state) in ("load", "open-end")

    async def _measure(self, session: VerificationSession, carrier: Carrier) -> None:
        if carrier.calibration_id != self._coupler.id:
            raise MismatchdError(RESTART)
        reading = keyed_reading(carrier, self._station.options)
        if reading is None:
            self._show(f"{carrier.duration_s:.1f} s is too short; key once more.")
            return
        keying = reading.keying
        self._message = (
            f"Read {carrier.duration_s:.0f} s: forward {keying.forward_w:.3g} W, reflected"
            f" {keying.reflected_w:.3g} W."
        )
        if session.state.load is None:
            session.state.load = reading
        else:
            session.state.open_end = reading
        await self._advance(session)

    def _conclude(self, session: VerificationSession) -> None:
        state = session.state
        assert state.load is not None
        with Verifications.editor(self._station.store) as store:
            spread_db = store.transmitter_db(state.load.channel, time.time_ns())
            new = session.result(self._coupler, spread_db)
            _, history, judgement = store.conclude(new)
        self._work.end()
        self._message = ""
        self._result = [
            *words.verdict(judgement),
            *words.figures(history),
            *([words.without_open(history)] if new.open_db is None else []),
        ]

    def values(self) -> dict[str, Any]:
        """See PageSession."""
        session = self._work.session
        unfinished = None if self.active else self.unfinished()
        return {
            "session": None if session is None else {"step": self.step, "hint": self._hint},
            "stage": None if session is None else stage_of(session.state),
            "said": self._message,
            "result": self._result,
            "unfinished": unfinished and progress(unfinished.session),
            "unread": unfinished is not None and unfinished.session.state.load is None,
            "cautions": VERIFY,
            "open_cautions": VERIFY_OPEN,
            "low_w": LOW_W,
            "load_s": LOAD_S,
            "open_s": OPEN_S,
        }


def stage_of(state: VerificationState) -> str:
    """Return what is to be done next: load, meter, open, open-end or over."""
    if state.load is None:
        return "load"
    if state.has_meter is None:
        return "meter"
    if state.has_open is None:
        return "open"
    return "open-end" if state.has_open and state.open_end is None else "over"
