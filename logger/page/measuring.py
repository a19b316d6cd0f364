"""Measurement of the installed line on the page: far end open or shorted, one key-down each."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from logger.calibration.bench_session import LOW_W
from logger.cautions import MEASURE_LINE
from logger.errors import UsageError
from logger.feedline.cables import attenuation, published
from logger.feedline.findings import BOTH_ENDS, ENDS, entry, findings
from logger.feedline.frequency import USUAL_MHZ, mhz_of
from logger.feedline.measurement import FAR_ENDS
from logger.feedline.session import KIND, MeasuringSession, MeasuringState, progress, restore
from logger.live.carrier import Carrier
from logger.live.key_down import KeyDown
from logger.live.measuring import khz_of, line_loss
from logger.page.drawings import Station
from logger.page.session import CarrierSession, PageSession
from logger.store.line_losses import LineLosses
from logger.store.work_session import WorkSession
from logger.wording import parse_positive


class Measuring(CarrierSession[MeasuringSession]):
    """Measurement in progress, if any, or the findings of the last one."""

    name = "feedline"

    def __init__(self, station: Station, changed: Callable[[PageSession[Any]], None]) -> None:
        super().__init__(station, WorkSession(station.store, KIND, restore, time.time_ns), changed)
        self._findings: Sequence[str] = ()

    async def apply(self, what: str, fields: Mapping[str, str]) -> None:
        """See PageSession."""
        if what == "begin":
            session = MeasuringSession(self._parse(fields))
            async with self._tap:
                await asyncio.to_thread(self._work.begin, session)
                await self._wait()
        elif what == "resume":
            async with self._tap:
                if not self.active:
                    await self._resume()
                    await self._wait()
        elif what == "end":
            async with self._at(fields.get("step", "")) as active:
                if active is not None:
                    await asyncio.to_thread(self._work.end)
                    self._show()

    async def _wait(self) -> None:
        self._findings = ()
        await self._listen(KeyDown(2 * LOW_W))
        self._show()

    def _parse(self, fields: Mapping[str, str]) -> MeasuringState:
        """Return what is to be measured. Raises UsageError."""
        far_end, cable = fields.get("far_end", ""), fields.get("cable", "").strip() or None
        length = fields.get("length", "").strip()
        length_m = parse_positive(length) if length else None
        if far_end not in FAR_ENDS or (length and length_m is None):
            raise UsageError("say whether the far end is open or shorted; the length is in metres")
        if cable is not None:
            attenuation(cable, mhz_of(self._station.options) or USUAL_MHZ)
        return MeasuringState(far_end, cable, length_m)

    def _waits(self, session: MeasuringSession) -> bool:
        return True

    async def _measure(self, session: MeasuringSession, carrier: Carrier) -> None:
        state = session.state
        khz = khz_of(carrier, self._station.options, state.frequency_mhz)
        reading = line_loss(carrier, state.far_end, state.cable, state.length_m, khz, state.antenna)

        def insert() -> list[str]:
            with LineLosses.editor(self._station.store) as losses:
                earlier = losses.readings()
                losses.insert(reading, entry(state.far_end))
            self._work.end()
            return list(findings(reading, carrier.flags, earlier))

        self._findings = await asyncio.to_thread(insert)
        self._show()

    def values(self) -> dict[str, Any]:
        """See PageSession."""
        session, line = self._work.session, self._station.line
        unfinished = None if self.active else self.unfinished()
        return {
            "session": None if session is None else {"step": self.step, "hint": self._hint},
            "state": None if session is None else session.state,
            "ends": ENDS,
            "said": self._message,
            "findings": self._findings,
            "unfinished": unfinished and progress(unfinished.session),
            "cautions": MEASURE_LINE,
            "both_ends": BOTH_ENDS,
            "low_w": LOW_W,
            "cables": published(),
            "line": line,
        }
