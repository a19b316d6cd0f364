"""Leads through a session of elimination: what to do, the carrier or the question, what is left."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from drivers.contract import Driver
from logger.calibration.bench_session import LOW_W
from logger.calibration.coupler import Coupler
from logger.cli.isolate_setup import word
from logger.cli.measure_guide import Instead, carrier
from logger.cli.terminal import Terminal
from logger.config import Config
from logger.diagnosis.rules import CAUTIONS, Place
from logger.feedline.cables import attenuation
from logger.isolate import words
from logger.isolate.chain import Symptom
from logger.isolate.reading import Seen, least_of_open_end, load_reads, sound, too_high
from logger.isolate.session import Session, Step, Taken
from logger.isolate.trials import ANTENNA_OFF, Trial
from logger.live.carrier import Carrier, OfDaemon, OfDriver, Source
from logger.status import ask

USUAL_W = 10.0  # more is said to be too much for a test
USUAL_MHZ = 27.2
NOTHING = "n"
NO_CARRIER = {NOTHING: "I key, and nothing arrives at the coupler"}


class Enough(Exception):  # noqa: N818 - the person's wish, not an error
    """The person knows enough."""


class Guide:
    """At a terminal. Without a daemon the driver is opened at once, so that a wrong port is told
    before anything is asked: raises LinkError."""

    def __init__(self, config: Config, coupler: Coupler, terminal: Terminal) -> None:
        self._config = config
        self._coupler = coupler
        self._terminal = terminal
        self._driver: Driver | None = None
        self._told: set[Place] = set()
        self._source().close()

    def steps(self, session: Session) -> Iterator[None]:
        """Go through a session; yields whenever there is something to keep. Raises Stop,
        MismatchdError, LinkError, EndOfInput."""
        with contextlib.suppress(Enough):
            yield from self._steps(session)

    def _steps(self, session: Session) -> Iterator[None]:
        if session.state.symptom is None:
            if not self._as_is(session):
                return
            yield
        else:
            self._standing(session)
        while (step := session.next()) is not None:
            self._step(session, step)
            yield
            if session.verdict().contradictory and not session.state.rechecked:
                if not self._goes_on(session):
                    return
                yield

    def _source(self) -> Source:
        if ask(self._config.store.path) is not None:
            return OfDaemon(self._config)
        if self._driver is None:
            self._driver = self._config.driver_class(self._config.driver_options)  # type: ignore[call-arg]
        return OfDriver(self._config, self._coupler, self._driver)

    def _carrier(self, most_w: float, instead: dict[str, str]) -> Carrier:
        source = self._source()
        try:
            return carrier(self._terminal, source, most_w=most_w, instead=instead)
        finally:
            source.close()

    # as it is

    def _as_is(self, session: Session) -> bool:
        """What is wrong; False if nothing is at the moment."""
        self._terminal.say("")
        self._terminal.say("First as it is, with everything connected as usual.")
        if ask(self._config.store.path) is not None:
            self._terminal.say(
                "The daemon goes on: it may raise alarms for these tests, and a notifier `inhibit`"
                " may cut a carrier off."
            )
        seen = self._seen_as_is()
        if seen is None:
            session.begin(Symptom.NONE)
        else:
            session.state.as_is = Taken("as-is", True, seen.swr, seen.low, seen.high)
            self._say_seen(seen)
            high = too_high(seen, session.state.usual_swr)
            symptom = Symptom.HIGH if high else self._asked_symptom(session.state.usual_swr)
            if symptom is None:
                self._terminal.say(words.WIGGLE_NOW)
                return False
            session.begin(symptom)
        assert session.state.symptom is not None
        self._terminal.say(f"So {words.SYMPTOMS[session.state.symptom]}.")
        self._standing(session)
        return True

    def _seen_as_is(self) -> Seen | None:
        """None if no carrier arrives."""
        while True:
            try:
                found = self._carrier(USUAL_W, NO_CARRIER)
            except Instead:
                return None
            seen = _seen(found)
            if seen is not None:
                return seen
            self._terminal.say(_too_little(found))

    def _asked_symptom(self, usual_swr: float) -> Symptom | None:
        self._terminal.say(f"That is no more than usual ({usual_swr:g}). What is wrong?")
        choices = (Symptom.UPSTREAM, Symptom.WEAK, Symptom.HIGH, None)
        for number, symptom in enumerate(choices, 1):
            text = words.SYMPTOMS[symptom] if symptom else "nothing, at this moment"
            self._terminal.say(f"- {number}: {text}")
        answer = ""
        while not answer:
            answer = word(self._terminal, "1 to 4:", ("1", "2", "3", "4"))
        return choices[int(answer) - 1]

    # a trial

    def _step(self, session: Session, step: Step) -> None:
        trial, terminal = step.trial, self._terminal
        terminal.say("")
        number = len(session.state.taken) + 1
        title = words.title(trial, session.chain)
        if trial == session.last_trial:
            terminal.say(f"{number}. Once more, to be sure: {title}. Leave it as it is.")
        else:
            begin = f"{number}. {title[0].upper()}{title[1:]}"
            terminal.say(f"{begin}, about {step.minutes:g} minutes")
            self._cautions(session, trial)
            terminal.say(words.how(trial, session.chain))
        taken = self._by_carrier(session, trial) if trial.carrier else self._asked(session, trial)
        if taken is None:
            return
        session.take(taken)
        terminal.say(words.outcome(taken, trial, session.chain))
        self._standing(session)

    def _cautions(self, session: Session, trial: Trial) -> None:
        terminal, caution = self._terminal, CAUTIONS[trial.where]
        if trial.where in self._told:
            if caution.short:
                terminal.say(f"({caution.short})")
        else:
            for text in caution.full:
                terminal.say(f"- {text}")
            self._told.add(trial.where)
        if trial.kind == "open-end":
            terminal.say(f"- {words.FULL_REFLECTION}")
        if trial.kind == "bypass" and session.chain.names[trial.place or 0] == "arrester":
            terminal.say(f"- {words.NO_PROTECTION}")
        last = session.last_trial
        if trial.setup and last is not None and last.setup == trial.setup:
            if trial.setup == ANTENNA_OFF:
                terminal.say("The antenna stays off.")
        elif last is not None and last.kind not in words.CHANGES_NOTHING:
            terminal.say("Put back what the last trial changed.")

    def _by_carrier(self, session: Session, trial: Trial) -> Taken | None:
        """What the coupler reads; None if that is skipped, or taken back."""
        symptom = session.state.symptom
        assert symptom is not None
        limit = self._sound_swr(session, trial)
        as_is = _as_seen(session.state.as_is)
        self._terminal.say(words.expected(trial, session.chain, symptom, limit, as_is))
        most_w = 2 * LOW_W if trial.kind == "open-end" else USUAL_W
        while self._choice(session, trial, "Enter when that is done (or", ("",)) == "":
            try:
                found = self._carrier(most_w, NO_CARRIER if symptom is Symptom.NONE else {})
            except Instead:
                return Taken(trial.key, bad=True)
            seen = _seen(found)
            if symptom is Symptom.NONE:
                return Taken(trial.key, bad=False, **({} if seen is None else _figures(seen)))
            if seen is None:
                self._terminal.say(_too_little(found))
                continue
            self._say_seen(seen)
            if trial.kind == "open-end":
                return Taken(trial.key, bad=seen.high < limit, **_figures(seen))
            good = None if as_is is None else sound(seen, limit, as_is)
            if good is not None:
                return Taken(trial.key, bad=not good, **_figures(seen))
            self._terminal.say(
                "That lies between sound and as before. More power narrows it, within the"
                " transmitter's limits; Enter takes it again, s leaves it out."
            )
        return None

    def _asked(self, session: Session, trial: Trial) -> Taken | None:
        assert session.state.symptom is not None
        question = words.question(trial, session.chain, session.state.symptom)
        answers = ("y", "yes", "n", "no")
        while (answer := self._choice(session, trial, f"{question.text} (y, n;", answers)) == "":
            if trial.kind == "wiggle":
                self._carrier(USUAL_W, {})
        return (
            None
            if answer is None
            else Taken(trial.key, bad=(answer[0] == "y") == question.yes_is_bad)
        )

    def _choice(
        self, session: Session, trial: Trial, prompt: str, allowed: tuple[str, ...]
    ) -> str | None:
        """What is answered; None for what leads away from this trial, which is done."""
        lacks = f"x: no {trial.needs}, " if trial.needs else ""
        prompt = f"{prompt.rstrip()} s: skip, {lacks}b: back, e: end, q: pause):"
        answer = word(self._terminal, prompt, (*allowed, "s", "x", "b", "e"))
        if answer == "s" or (answer == "x" and not trial.needs):
            session.skip(trial)
        elif answer == "x":
            session.lack(trial)
        elif answer == "e":
            raise Enough
        elif answer == "b":
            gone = session.back()
            text = "Nothing has been tried yet." if gone is None else "The last outcome is undone."
            self._terminal.say(text)
        else:
            return answer
        return None

    def _sound_swr(self, session: Session, trial: Trial) -> float:
        """What the coupler reads with a sound chain: at most, at least with the far end open."""
        if trial.kind == "load":
            return load_reads(self._coupler.leak)
        if trial.kind == "open-end":
            return least_of_open_end(self._nominal_db())
        return session.state.usual_swr

    def _nominal_db(self) -> float | None:
        line, mhz = self._config.feedline, self._config.station.frequency_mhz
        if line.cable is None or line.length_m is None:
            return None
        return attenuation(line.cable, mhz or USUAL_MHZ).high * line.length_m / 100

    # what is left

    def _goes_on(self, session: Session) -> bool:
        """What is done when outcomes contradict each other: False to end here."""
        session.state.rechecked = True
        self._terminal.say("")
        self._terminal.say(f"The outcomes fit no single fault. {words.WIGGLE_NOW}")
        answer = ""
        while not answer:
            answer = word(self._terminal, "Go on here all the same? (y, n):", ("y", "n"))
        return answer == "y"

    def _standing(self, session: Session) -> None:
        for text in words.standing(session.verdict()):
            self._terminal.say(text)

    def _say_seen(self, seen: Seen) -> None:
        self._terminal.say(f"SWR {seen.swr:.2f} ({seen.low:.2f} to {seen.high:.2f})")


def _seen(found: Carrier) -> Seen | None:
    if found.swr is None or found.swr_low is None or found.swr_high is None:
        return None
    return Seen(found.swr, found.swr_low, found.swr_high)


def _as_seen(taken: Taken | None) -> Seen | None:
    if taken is None or taken.swr is None or taken.swr_low is None or taken.swr_high is None:
        return None
    return Seen(taken.swr, taken.swr_low, taken.swr_high)


def _figures(seen: Seen) -> dict[str, float]:
    return {"swr": seen.swr, "swr_low": seen.low, "swr_high": seen.high}


def _too_little(found: Carrier) -> str:
    return f"{found.forward_w:.2g} W are too little for this coupler to read; use a little more."
