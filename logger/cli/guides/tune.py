"""Guides through adjusting an antenna: takes each transmission and gives the next step."""

from __future__ import annotations

from collections.abc import Callable

from logger.cli.guides.carriers import wait_for_event
from logger.cli.guides.terminal import Stop, Terminal
from logger.cli.guides.tune_setup import limits
from logger.config.load import StationOptions
from logger.feedline.findings import DOUBTS
from logger.live.carrier import Carrier, CarrierSource
from logger.live.key_down import ENOUGH_S
from logger.tune.advice import TuningAdvice
from logger.tune.frequency import FrequencyFinder, Where, parse_where
from logger.tune.positions import ChannelReading, parse_setting
from logger.tune.session import TEST_W, TuningSession, frequencies
from logger.tune.words import better_position, findings, keyed, place, setting

HELP = (
    "Commands: Enter when it is set as advised; the setting as a number if it is set elsewhere;"
    " `back` when it is at the better position; `again` discards the last reading; `done` ends and"
    " writes the journal; `q` stops, and `mismatchd tune` continues later."
)
AS_IT_IS = "Type `done` to end, or the setting as a number if it is set elsewhere."


class TuningGuide:
    """Dialogue about a tuning session; `save` is called when there is something to store."""

    def __init__(
        self,
        terminal: Terminal,
        source: CarrierSource,
        session: TuningSession,
        station: StationOptions,
        save: Callable[[], None],
    ) -> None:
        self._terminal = terminal
        self._source = source
        self._session = session
        self._save = save
        self._finder = FrequencyFinder(station)
        self._plan = station.channels
        self._advice: TuningAdvice | None = session.advice() if session.ready else None
        self._is_shown = False  # the advice

    def run(self) -> None:
        """Run until the user is done. Raises Stop, MismatchdError, EndOfInput."""
        self._terminal.say(HELP)
        self._source.begin()
        self._show_position()
        while True:
            event = self._wait()
            if isinstance(event, Carrier):
                self._take(event)
                self._source.begin()
                self._terminal.ring()  # invites the next key-down
            elif self._obey(event.strip().lower()):
                return

    def _wait(self) -> Carrier | str:
        if self._terminal.interactive or not self._session.complete:
            return wait_for_event(self._terminal, self._source, TEST_W)
        return self._terminal.line(None) or ""  # without a terminal: carriers first, then a line

    def _show_position(self) -> None:
        """Show the present setting, with advice or with what to key."""
        session = self._session
        positions = session.state.positions
        text = setting(session.state.adjustment.unit, session.present.setting)
        self._terminal.say(f"Position {len(positions)}, {text}.")
        if self._advice is not None and session.ready:
            self._show(self._advice)
        else:
            self._terminal.say(
                f"Key a low, a middle and a high channel, {ENOUGH_S:g} s each, two seconds apart."
                if len(positions) == 1
                else "Key the same channels again."
            )

    def _show(self, advice: TuningAdvice) -> None:
        self._terminal.say("")
        for text in findings(self._session.state, advice):
            self._terminal.say(text)
        self._is_shown = True
        prompt = AS_IT_IS
        if advice.to is not None:
            prompt = "Press Enter when it is set there, or type the setting if it is set elsewhere."
        if better_position(self._session.state, advice) is not None:
            prompt += " Type `back` when it is at the better position."
        self._terminal.say(prompt)

    def _take(self, carrier: Carrier) -> None:
        say, session, swr = self._terminal.say, self._session, carrier.reading
        if swr is None:
            say(f"{carrier.forward_w:.2g} W is below the coupler's readable floor; use more.")
            return
        channel, khz = self._finder.find(carrier) or self._ask_where()
        reading = ChannelReading(khz, *swr, channel, carrier.id)
        if khz in frequencies(session.present) and session.complete:
            self._ask_if_moved()
        session.take(reading)
        say(f"Recorded {keyed(reading)}.")
        for flag in carrier.flags.split():
            if flag in DOUBTS:
                say(f"Doubtful: {DOUBTS[flag]}.")
        self._update()

    def _update(self) -> None:
        """Save the session, and show advice from its readings or what to key next."""
        session = self._session
        # Computing advice takes time; an incomplete position must not delay the next key-down.
        self._advice = session.advice() if session.complete else None
        self._is_shown = False
        self._save()
        if self._advice is not None:
            self._show(self._advice)
        elif not session.ready:
            self._terminal.say("Now the next channel.")
        else:
            self._terminal.say("Now the next channel; or Enter for advice from two channels.")

    def _ask_where(self) -> Where:
        """Ask on which channel or frequency the transmission was."""
        expected = self._session.next_reading
        hint = "" if expected is None else f" Enter: {expected.frequency_khz / 1e3:.3f} MHz."
        while True:
            answer = self._terminal.answer(f"Which channel was it, or MHz?{hint}")
            if not answer and expected is not None:
                return expected.channel, expected.frequency_khz
            where = parse_where(answer, self._plan)
            if where is not None:
                return where
            self._terminal.say("A channel of the plan, or a frequency like 27.205.")

    def _ask_if_moved(self) -> None:
        """Ask if the antenna has been moved as advised, as a channel was keyed again."""
        to = None if self._advice is None else self._advice.to
        if to is None:
            return
        text = setting(self._session.state.adjustment.unit, to)
        answer = self._terminal.answer(
            f"Is it set to {text} now? (Enter: yes; no: unchanged; or its setting)"
        ).lower()
        present = to if answer in ("", "yes", "y") else parse_setting(answer)
        if present is not None:
            self._session.set(present, to)

    def _obey(self, command: str) -> bool:
        """Carry out a line typed; return True if the session is over."""
        session, say, advice = self._session, self._terminal.say, self._advice
        present = parse_setting(command)
        if command in ("q", "quit"):
            raise Stop
        if command == "done":
            return True
        if command == "again":
            reading = session.forget()
            say("No reading to discard." if reading is None else f"Discarded {place(reading)}.")
            self._update()
        elif command == "back" and advice is not None and advice.better is not None:
            self._set(session.state.read[advice.better].setting)
        elif present is not None:
            self._set(present)
        elif command == "" and session.ready:
            self._advice = advice or session.advice()
            if not self._is_shown:
                self._show(self._advice)
            elif self._advice.to is not None:
                self._set(self._advice.to)
            else:
                say(AS_IT_IS)
        elif command == "":
            say("Key at least two channels here first.")
        else:
            say(HELP)
        return False

    def _set(self, present: float) -> None:
        adjustment = self._session.state.adjustment
        if not adjustment.allows(present):
            self._terminal.say(limits(adjustment))
            return
        self._session.set(present, None if self._advice is None else self._advice.to)
        self._advice = None
        self._save()
        self._show_position()
