"""Isolation session of the page: the parts, the symptom, one trial after another, the result."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from typing import Any

from logger.calibration.bench_session import LOW_W
from logger.cautions import AT_PLACE, FULL_REFLECTION
from logger.errors import UsageError
from logger.feedline.cables import attenuation
from logger.feedline.frequency import USUAL_MHZ, mhz_of
from logger.isolate import hints, instructions, words
from logger.isolate.chain import DEFAULT, KINDS, Symptom, parse_chain
from logger.isolate.judging import REFLECTS_ALL, judge, sound_swr
from logger.isolate.session import (
    KIND,
    IsolationSession,
    IsolationState,
    TrialOutcome,
    TrialStep,
    restore,
)
from logger.isolate.symptom import compare, question, record
from logger.isolate.trial import Trial
from logger.isolate.trials import NEEDS
from logger.isolate.usual import UsualSwr, usual_swr
from logger.live.carrier import Carrier
from logger.live.key_down import USUAL_W, KeyDown
from logger.page.drawings import Station
from logger.page.session import CarrierSession, PageSession, floor_message
from logger.physics.reflection import HIGHEST_SWR
from logger.store.reader import Store
from logger.store.work_session import WorkSession
from logger.wording import parse_positive

CURRENTS = {"unknown": "not known", "closed": "closed", "open": "open"}
ENTRIES = ("remark", "repair")


class Isolating(CarrierSession[IsolationSession]):
    """Isolation session in progress, if any. The next trial is computed on threads."""

    name = "isolate"

    def __init__(self, station: Station, changed: Callable[[PageSession[Any]], None]) -> None:
        super().__init__(station, WorkSession(station.store, KIND, restore, time.time_ns), changed)
        self._coupler = station.coupler
        self._next: TrialStep | None = None
        self._summary: list[str] = []
        self._over = False
        self._armed = False  # the setup of the trial is done: the next carrier is its reading

    # taps

    async def apply(self, what: str, fields: Mapping[str, str]) -> None:
        """See PageSession."""
        if what in ("begin", "resume"):
            await self._begin(fields, anew=what == "begin")
            return
        async with self._at(fields.get("step", "")) as session:
            if session is None:
                return
            if what == "end":
                await asyncio.to_thread(self._end, session, fields)
                self._show()
            elif session.state.symptom is None:
                await self._choose(session, fields.get("symptom", ""), fields.get("usual", ""))
            else:
                await self._answer(session, what)

    async def _begin(self, fields: Mapping[str, str], *, anew: bool) -> None:
        async with self._tap:
            if anew:
                state = await asyncio.to_thread(self._new_state, fields)
                session = await asyncio.to_thread(self._work.begin, IsolationSession(state))
            elif not self.active:
                session = await self._resume()
            else:
                return
            self._over = self._armed = False
            self._next, self._summary, self._message = None, [], ""
            await self._advance(session)

    def _new_state(self, fields: Mapping[str, str]) -> IsolationState:
        chain = parse_chain(fields.get("chain", ""))
        with Store.reader(self._station.store) as store:
            hint = hints.newest(store)
        direct_current = fields.get("current", "unknown")
        return IsolationState(
            chain=chain.names,
            direct_current=direct_current if direct_current in CURRENTS else "unknown",
            lacking=[need for number, need in enumerate(NEEDS) if fields.get(f"lack{number}")],
            weights={} if hint is None else hint.weights,
        )

    async def _choose(self, session: IsolationSession, chosen: str, usual: str) -> None:
        """Begin with the symptom that the user names; "" is nothing at the moment."""
        state = session.state
        if chosen == "":
            self._message = words.COMES_AND_GOES
        else:
            try:
                symptom = Symptom(chosen)
            except ValueError:
                raise UsageError("choose what is wrong") from None
            if symptom is Symptom.LOWER and state.lowest_usual_swr is None:
                state.lowest_usual_swr = _parse_usual(usual, state)
            session.begin(symptom)
            self._message = f"Symptom: {words.SYMPTOMS[symptom]}."
        await self._advance(session)

    async def _answer(self, session: IsolationSession, what: str) -> None:
        trial = None if self._next is None else self._next.trial
        self._message = ""
        if what == "back":
            self._over = False
            undone = session.back()
            self._message = (
                "The last outcome is undone." if undone else "Nothing has been tried yet."
            )
        elif what == "conclude":
            self._over = True
        elif trial is None:
            return
        elif what == "ready" and trial.carrier:
            self._armed = True
            low = trial.kind in REFLECTS_ALL
            await self._listen(KeyDown(2 * LOW_W if low else USUAL_W))
            self._show()
            return
        elif what == "skip":
            session.skip(trial)
        elif what == "lack":
            session.lack(trial)
        elif what in ("yes", "no") and not trial.carrier:
            assert session.state.symptom is not None
            asked = instructions.question(trial, session.chain, session.state.symptom)
            self._take(session, trial, TrialOutcome(trial.key, (what == "yes") == asked.yes_is_bad))
        elif what == "none" and trial.carrier and session.state.symptom is Symptom.NONE:
            self._take(session, trial, TrialOutcome(trial.key, bad=True))
        await self._advance(session)

    def _take(self, session: IsolationSession, trial: Trial, outcome: TrialOutcome) -> None:
        session.take(outcome)
        self._message = instructions.explain_outcome(outcome, trial, session.chain)

    async def _advance(self, session: IsolationSession) -> None:
        """Store the state and determine the next trial."""
        self._armed = False
        await self._save()
        if session.state.symptom is None:
            await self._listen(KeyDown(USUAL_W))
        else:
            self._next, self._summary = await asyncio.to_thread(_look_ahead, session)
            self._over = self._over or self._next is None
        self._show(self._message)

    def _end(self, session: IsolationSession, fields: Mapping[str, str]) -> None:
        """End the session, with a journal entry if one is wanted."""
        kind, outcomes = fields.get("entry", ""), session.state.outcomes
        text = None
        if outcomes and kind in ENTRIES:
            text = words.journal(session.verdict(), len(outcomes))
            done = " ".join(fields.get("text", "").split())
            text = f"{text}; {done}" if kind == "repair" and done else text
        self._work.end(text, kind)
        self._message = ""

    # carriers

    def _waits(self, session: IsolationSession) -> bool:
        return self._armed or (session.state.symptom is None and session.state.as_is is None)

    async def _measure(self, session: IsolationSession, carrier: Carrier) -> None:
        swr, state = carrier.reading, session.state
        if state.symptom is not None:
            trial = self._next.trial if self._next is not None else None
            assert trial is not None
            outcome = judge(session, trial, swr, self._limit(session, trial))
            if outcome is None:
                self._show(floor_message(carrier) if swr is None else words.BETWEEN)
                return
            self._take(session, trial, outcome)
        elif swr is None:
            self._show(floor_message(carrier))
            return
        else:
            usual = await asyncio.to_thread(self._usual, carrier)
            first = record(state, swr, usual)
            self._message = f"SWR {swr.swr:.2f} ({swr.low:.2f} to {swr.high:.2f})."
            if first.symptom is not None:
                session.begin(first.symptom)
                self._message += f" Symptom: {words.SYMPTOMS[first.symptom]}."
        await self._advance(session)

    def _usual(self, carrier: Carrier) -> UsualSwr:
        with Store.reader(self._station.store) as store:
            return usual_swr(
                store, time.time_ns(), carrier.channel, carrier.frequency_khz, carrier.antenna
            )

    def _limit(self, session: IsolationSession, trial: Trial) -> float:
        line, line_db = self._station.line, None
        if line.cable is not None and line.length_m is not None:
            mhz = mhz_of(self._station.options) or USUAL_MHZ
            line_db = attenuation(line.cable, mhz).high * line.length_m / 100
        return sound_swr(session, trial, self._coupler.worst_leak, line_db)

    # display

    def values(self) -> dict[str, Any]:
        """See PageSession."""
        session = self._work.session
        values: dict[str, Any] = {
            "session": None if session is None else {"step": self.step, "hint": self._hint},
            "said": self._message,
            "summary": self._summary,
            "outcomes": [],
            "unfinished": None,
            "cautions": [text.removeprefix("- ") for text in words.GENERAL[1:]],
        }
        if session is None:
            unfinished = self.unfinished()
            return values | {
                "unfinished": unfinished and words.progress(unfinished.session),
                "chain": ", ".join(DEFAULT),
                "kinds": ", ".join(KINDS),
                "needs": list(enumerate(NEEDS)),
                "currents": CURRENTS,
                "daemon": words.DAEMON,
            }
        return values | (
            self._symptom(session) if session.state.symptom is None else self._trial(session)
        )

    def _symptom(self, session: IsolationSession) -> dict[str, Any]:
        """Return what is asked before the first trial."""
        state = session.state
        reading = None if state.as_is is None else state.as_is.reading
        if reading is None:
            return {"stage": "first", "first": words.FIRST, "no_carrier": words.NO_CARRIER}
        first = compare(state, reading)
        return {
            "stage": "symptom",
            "question": question(state, first),
            "offered": [
                (
                    symptom.value if symptom else "",
                    words.SYMPTOMS[symptom] if symptom else words.NOTHING_NOW,
                )
                for symptom in first.offered
            ],
            "asks_usual": state.lowest_usual_swr is None,
            "present_swr": f"{reading.swr:.2f}",
        }

    def _trial(self, session: IsolationSession) -> dict[str, Any]:
        """Return the next trial, or the conclusion."""
        state, chain, verdict = session.state, session.chain, session.verdict()
        outcomes = [
            instructions.explain_outcome(outcome, session.trial(outcome.key), chain)
            for outcome in state.outcomes
        ]
        values: dict[str, Any] = {"outcomes": outcomes}
        if self._next is None and not self._over:
            return values | {"stage": "wait"}
        if self._over or self._next is None:
            tried = len(state.outcomes)
            return values | {
                "stage": "over",
                "conclusion": list(words.conclusion(verdict, bool(tried), session.cured)),
                "entry": words.journal(verdict, tried) if tried else "",
            }
        assert state.symptom is not None
        trial, last = self._next.trial, session.last_trial
        as_is = None if state.as_is is None else state.as_is.reading
        full = FULL_REFLECTION if trial.kind in REFLECTS_ALL else None
        again = trial == last
        return values | {
            "stage": "trial",
            "contradictory": words.CONTRADICTORY if verdict.contradictory else "",
            "number": len(state.outcomes) + 1,
            "title": instructions.title(trial, chain),
            "again": again,
            "minutes": self._next.minutes,
            "place_cautions": [*AT_PLACE[trial.where].full, *filter(None, [full])],
            "undo": "" if again else instructions.undo_first(trial, last),
            "how": instructions.how(trial, chain),
            "carrier": trial.carrier,
            "armed": self._armed,
            "no_carrier": words.NO_CARRIER if state.symptom is Symptom.NONE else "",
            "needs": trial.needs,
            "expected": instructions.expected(
                trial, chain, state.symptom, self._limit(session, trial), as_is
            )
            if trial.carrier
            else instructions.question(trial, chain, state.symptom).text,
        }


def _look_ahead(session: IsolationSession) -> tuple[TrialStep | None, list[str]]:
    step = session.next()
    return step, list(words.summary(session.verdict()))


def _parse_usual(text: str, state: IsolationState) -> float:
    """Return the usual SWR, which must be above the present one. Raises UsageError."""
    present = 1.0 if state.as_is is None or state.as_is.swr is None else state.as_is.swr
    usual = parse_positive(text)
    if usual is None or not present < usual <= HIGHEST_SWR:
        raise UsageError(f"give the usual SWR of this channel, a number above {present:.2f}")
    return usual
