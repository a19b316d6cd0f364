"""Guides through adjusting an antenna: captures each transmission and gives the next step."""

from __future__ import annotations

from collections.abc import Callable

from logger.cautions import TUNE, before_keying
from logger.cli.guides.key_down import ENOUGH_S, heard
from logger.cli.guides.terminal import Stop, Terminal
from logger.cli.guides.tune_setup import answered, number, outside, within
from logger.config.load import StationOptions
from logger.feedline.findings import DOUBTS
from logger.live.carrier import Carrier, CarrierSource
from logger.tune.advice import TuningAdvice
from logger.tune.frequency import Where, parsed, told
from logger.tune.positions import ChannelReading
from logger.tune.session import TuningSession, frequencies
from logger.tune.words import findings, keyed, place, setting

TEST_W = 5.0  # above this, a test transmission is not at low power
HELP = (
    "Keys: Enter when it is set as advised; a number when it is set there; `back` when it is at the"
    " better position; `again` forgets the last reading; `done` ends and writes the journal; `q`"
    " stops, and `mismatchd tune` continues later."
)


def confirm(terminal: Terminal, *, beside_daemon: bool) -> None:
    """Show the cautions and ask for confirmation. Raises Stop unless the answer is yes."""
    for text in before_keying(TUNE):
        terminal.say(text)
    if beside_daemon:
        terminal.say(
            "The daemon keeps running: it may raise high-swr for this, and a notifier `inhibit` may"
            " cut the carrier off."
        )
    if answered(terminal, "All of this is understood (yes or no):").lower() not in ("yes", "y"):
        raise Stop


class TuningGuide:
    """Dialogue about an adjusting session; `keep` is called when there is something to store."""

    def __init__(
        self,
        terminal: Terminal,
        source: CarrierSource,
        session: TuningSession,
        station: StationOptions,
        keep: Callable[[], None],
    ) -> None:
        self._terminal = terminal
        self._source = source
        self._session = session
        self._station = station
        self._keep = keep
        self._tells = False  # True if the bridge reports the channel
        self._told = False  # True once the advice from the present readings was shown
        self.advice: TuningAdvice | None = session.advice() if session.ready else None

    def run(self) -> None:
        """Run until the user is done. Raises Stop, MismatchdError, EndOfInput."""
        self._terminal.say(HELP)
        self._source.begin()
        self._present()
        while True:
            event = self._event()
            if isinstance(event, Carrier):
                self._caught(event)
                self._source.begin()
                self._terminal.ring()  # invites the next key-down
            elif self._done(event.strip().lower()):
                return

    def _event(self) -> Carrier | str:
        if self._terminal.interactive or not self._session.complete:
            return heard(self._terminal, self._source, TEST_W)
        line = self._terminal.line(None)  # without a terminal: first the carriers, then a line
        return "" if line is None else line

    def _present(self) -> None:
        """Show the present setting, with advice or with what to key."""
        session = self._session
        where = setting(session.state.adjustment.unit, session.here.setting)
        self._terminal.say(f"Position {len(session.state.positions)}, {where}.")
        if self.advice is not None and session.ready:
            self._tell(self.advice)
        else:
            self._terminal.say(
                f"Key a low, a middle and a high channel, {ENOUGH_S:g} s each, two seconds apart."
                if len(session.state.positions) == 1
                else "Key the same channels again."
            )

    def _tell(self, advice: TuningAdvice) -> None:
        self._terminal.say("")
        for text in findings(self._session.state, advice):
            self._terminal.say(text)
        self._told = True
        if advice.to is None:
            self._terminal.say("`done` ends it; a number says where you set it instead.")
        else:
            self._terminal.say("Enter when it is set there, or the number where it is.")

    def _caught(self, found: Carrier) -> None:
        say, session = self._terminal.say, self._session
        if found.swr is None or found.swr_low is None or found.swr_high is None:
            say(f"{found.forward_w:.2g} W is below the coupler's readable floor; use more.")
            return
        where = told(found, self._station, sure=self._tells)
        self._tells = self._tells or where is not None
        channel, khz = where or self._asked()
        reading = ChannelReading(khz, found.swr, found.swr_low, found.swr_high, channel, found.id)
        if khz in frequencies(session.here) and session.complete:
            self._moved_meanwhile()
        session.take(reading)
        say(f"Caught {keyed(reading)}.")
        for flag in found.flags.split():
            if flag in DOUBTS:
                say(f"Doubtful: {DOUBTS[flag]}.")
        self._judge()

    def _judge(self) -> None:
        session = self._session
        # Computing advice takes time; an incomplete position must not delay the next key-down.
        self.advice = session.advice() if session.complete else None
        self._told = False
        self._keep()
        if self.advice is not None:
            self._tell(self.advice)
        elif not session.ready:
            self._terminal.say("Now the next channel.")
        else:
            self._terminal.say("Now the next channel; or Enter for advice from two channels.")

    def _asked(self) -> Where:
        """Ask on which channel or frequency the transmission was."""
        usual = self._session.next_khz
        hint = "" if usual is None else f" Enter: {usual / 1e3:.3f} MHz."
        while True:
            answer = answered(self._terminal, f"Which channel was it, or MHz?{hint}")
            if not answer and usual is not None:
                before = self._session.state.positions[-2].readings
                return next((r.channel, usual) for r in before if r.frequency_khz == usual)
            where = parsed(answer)
            if where is not None:
                return where
            self._terminal.say("A channel from 1 to 40, or a frequency like 27.205.")

    def _moved_meanwhile(self) -> None:
        """Ask if the antenna has been moved as advised, as a channel was keyed again."""
        to = None if self.advice is None else self.advice.to
        if to is None:
            return
        unit = self._session.state.adjustment.unit
        answer = answered(
            self._terminal,
            f"Is it set to {setting(unit, to)} now? (Enter: yes; no: still as before; or where)",
        ).lower()
        at = to if answer in ("", "yes", "y") else number(answer)
        if at is not None:
            self._session.set(at, to)

    def _done(self, typed: str) -> bool:
        """Process a line typed; return True if the session is over."""
        session, say = self._session, self._terminal.say
        at = number(typed)
        if typed in ("q", "quit"):
            raise Stop
        if typed == "done":
            return True
        if typed == "again":
            reading = session.forget()
            say("No reading to forget." if reading is None else f"Forgot {place(reading)}.")
            self._judge()
        elif typed == "back" and self.advice is not None and self.advice.better is not None:
            self._set(session.state.read[self.advice.better].setting)
        elif at is not None:
            self._set(at)
        elif typed == "" and session.ready:
            self.advice = self.advice or session.advice()
            if not self._told:
                self._tell(self.advice)
            elif self.advice.to is not None:
                self._set(self.advice.to)
            else:
                say("`done` ends it; a number says where you set it instead.")
        elif typed == "":
            say("Key at least two channels here first.")
        else:
            say(HELP)
        return False

    def _set(self, at: float) -> None:
        if not within(self._session.state.adjustment, at):
            self._terminal.say(outside(self._session.state.adjustment))
            return
        self._session.set(at, None if self.advice is None else self.advice.to)
        self.advice = None
        self._keep()
        self._present()
