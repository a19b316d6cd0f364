"""Guides through an isolation session: instructions, carrier or question, remaining suspects."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from logger.calibration.bench_session import LOW_W
from logger.cautions import AT_PLACE, FULL_REFLECTION, Place
from logger.cli.guides.carriers import Carriers, Instead, report_swr
from logger.cli.guides.isolate_setup import ask_word
from logger.cli.guides.isolate_symptom import NO_CARRIER
from logger.cli.guides.terminal import Terminal
from logger.config.load import Config
from logger.feedline.cables import attenuation
from logger.feedline.frequency import USUAL_MHZ, mhz_of
from logger.isolate import instructions, words
from logger.isolate.chain import Symptom
from logger.isolate.judging import REFLECTS_ALL, judge, sound_swr
from logger.isolate.session import IsolationSession, TrialOutcome, TrialStep
from logger.isolate.trial import Trial
from logger.live.key_down import USUAL_W


class Enough(Exception):  # noqa: N818 - a request of the user, not an error
    """Raised when the user ends the session."""


class IsolationGuide:
    """Guides through an isolation session at a terminal."""

    def __init__(self, config: Config, carriers: Carriers, terminal: Terminal) -> None:
        self._config = config
        self._carriers = carriers
        self._terminal = terminal
        self._cautioned: set[Place] = set()

    def steps(self, session: IsolationSession) -> Iterator[None]:
        """Carry out the trials of a session; yield whenever the state has changed.

        Raises Stop and the exceptions of `Carriers.wait`.
        """
        if session.state.symptom is None:
            return
        self._summarize(session)
        with contextlib.suppress(Enough):
            while (step := session.next()) is not None:
                self._step(session, step)
                yield
                if session.verdict().contradictory and not session.state.rechecked:
                    self._warn(session)
                    yield

    def _step(self, session: IsolationSession, step: TrialStep) -> None:
        trial, terminal = step.trial, self._terminal
        terminal.say("")
        number = len(session.state.outcomes) + 1
        title = instructions.title(trial, session.chain)
        if trial == session.last_trial:
            terminal.say(f"{number}. Once more, to be sure: {title}. Change nothing.")
            if trial.kind in REFLECTS_ALL:
                terminal.say(f"- {FULL_REFLECTION}")
        else:
            begin = f"{number}. {title[0].upper()}{title[1:]}"
            terminal.say(f"{begin}, about {step.minutes:g} min.")
            self._cautions(session, trial)
            terminal.say(instructions.how(trial, session.chain))
        outcome = self._measure(session, trial) if trial.carrier else self._ask(session, trial)
        if outcome is None:
            return
        session.take(outcome)
        terminal.say(instructions.explain_outcome(outcome, trial, session.chain))
        self._summarize(session)

    def _cautions(self, session: IsolationSession, trial: Trial) -> None:
        terminal, caution = self._terminal, AT_PLACE[trial.where]
        if trial.where in self._cautioned:
            if caution.short:
                terminal.say(f"({caution.short})")
        else:
            for text in caution.full:
                terminal.say(f"- {text}")
            self._cautioned.add(trial.where)
        if trial.kind in REFLECTS_ALL:
            terminal.say(f"- {FULL_REFLECTION}")
        if undo := instructions.undo_first(trial, session.last_trial):
            terminal.say(undo)

    def _measure(self, session: IsolationSession, trial: Trial) -> TrialOutcome | None:
        """Return the outcome read by the coupler; None if the trial is skipped or undone."""
        symptom = session.state.symptom
        assert symptom is not None
        limit = sound_swr(session, trial, self._carriers.coupler.worst_leak, self._nominal_db())
        as_is = None if session.state.as_is is None else session.state.as_is.reading
        self._terminal.say(instructions.expected(trial, session.chain, symptom, limit, as_is))
        most_w = 2 * LOW_W if trial.kind in REFLECTS_ALL else USUAL_W
        nothing = NO_CARRIER if symptom is Symptom.NONE else {}
        while self._choice(session, trial, "Enter when that is done (or", ("",)) == "":
            try:
                carrier = self._carriers.wait(most_w, nothing)
            except Instead:
                return TrialOutcome(trial.key, bad=True)
            swr = report_swr(carrier, self._terminal)
            outcome = judge(session, trial, swr, limit)
            if outcome is not None:
                return outcome
            if swr is not None:
                self._terminal.say(f"{words.BETWEEN} Enter reads it again, s skips it.")
        return None

    def _ask(self, session: IsolationSession, trial: Trial) -> TrialOutcome | None:
        assert session.state.symptom is not None
        question = instructions.question(trial, session.chain, session.state.symptom)
        answers = ("y", "yes", "n", "no")
        while (answer := self._choice(session, trial, f"{question.text} (y, n;", answers)) == "":
            if trial.kind == "wiggle":
                self._carriers.wait()
        if answer is None:
            return None
        return TrialOutcome(trial.key, bad=(answer[0] == "y") == question.yes_is_bad)

    def _choice(
        self, session: IsolationSession, trial: Trial, prompt: str, allowed: tuple[str, ...]
    ) -> str | None:
        """Return the answer; if it ends this trial, carry it out and return None."""
        lacks = f"x: no {trial.needs}, " if trial.needs else ""
        prompt = f"{prompt.rstrip()} s: skip, {lacks}b: back, e: end, q: pause):"
        answer = ask_word(self._terminal, prompt, (*allowed, "s", "x", "b", "e"))
        if answer == "s" or (answer == "x" and not trial.needs):
            session.skip(trial)
        elif answer == "x":
            session.lack(trial)
        elif answer == "e":
            raise Enough
        elif answer == "b":
            undone = session.back()
            text = "The last outcome is undone." if undone else "Nothing has been tried yet."
            self._terminal.say(text)
        else:
            return answer
        return None

    def _nominal_db(self) -> float | None:
        line, station = self._config.feedline, self._config.station
        mhz = mhz_of(station)
        if line.cable is None or line.length_m is None:
            return None
        return attenuation(line.cable, mhz or USUAL_MHZ).high * line.length_m / 100

    def _warn(self, session: IsolationSession) -> None:
        """Warn that outcomes contradict each other; raise Enough unless the user continues."""
        session.state.rechecked = True
        self._terminal.say("")
        self._terminal.say(words.CONTRADICTORY)
        answer = ""
        while not answer:
            answer = ask_word(self._terminal, "Continue here anyway? (y, n):", ("y", "n"))
        if answer == "n":
            raise Enough

    def _summarize(self, session: IsolationSession) -> None:
        for text in words.summary(session.verdict()):
            self._terminal.say(text)
