"""Finds the bridge's port, and how to read what it sends."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import closing

from drivers.contract import LinkError
from drivers.frames.messages import VERSION
from drivers.identify import Heard, hear
from drivers.serial_link import SerialLink
from drivers.serial_ports import PROBABLY, SerialPort, list_ports
from drivers.text_lines.columns import layout
from logger.cli.guides.terminal import Stop, Terminal
from logger.setup.answers import Answers
from logger.setup.guess import BITS, LARGEST, Guess, Unreadable, guess
from logger.wording import parse_positive

LISTEN_S = 4.0  # a board that reboots when opened may wait two seconds for new firmware
TRY_S = 1.5  # at each further rate
BAUDS = (9600, 57600, 38400, 19200, 230400, 460800, 500000, 921600, 1000000, 2000000)
POLL_S = 0.5
SLOW_PER_S = 50
SLOW = "That is slow: short openings of a contact are missed."
USUAL_REFERENCE_V = {10: 5.0, 12: 3.3}
MOST_BITS = 31
CONTROL = "correct the baud rate"

Lister = Callable[[], Sequence[SerialPort]]


class PortGuide:
    """Asks for the port and its format, and puts both into the answers."""

    def __init__(self, terminal: Terminal, answers: Answers, ports: Lister = list_ports) -> None:
        self._terminal = terminal
        self._answers = answers
        self._ports = ports

    def run(self) -> None:
        """Ask until a port is found whose data can be read. Raises Stop."""
        port = self._choose()
        while True:
            answer = self._try(port)
            if answer is None:
                return
            port = self._choose() if answer == "p" else answer or port

    # the port

    def _choose(self) -> str:
        say = self._terminal.say
        ports = self._ports()
        likely = [port for port in ports if port.board != PROBABLY["ttyS"]]
        for number, port in enumerate(ports, 1):
            say(f"{number}  {_described(port)}")
        if not likely:
            say(
                "No bridge is plugged in. Release the key, then plug it in; or give the number or"
                " name of a port, or an address such as socket://host:port."
            )
            return self._await_new(ports)
        enter = f"Enter: {likely[0].device}" if len(likely) == 1 else "Enter: find it by its cable"
        while True:
            answer = self._terminal.answer(f"Which port is the bridge? (number or name; {enter})")
            if not answer:
                return _name(likely[0]) if len(likely) == 1 else self._replug(ports)
            if (name := _named(answer, ports)) is not None:
                return name
            say(f"There is no port {answer}.")

    def _replug(self, before: Sequence[SerialPort]) -> str:
        self._terminal.say("Release the key, then unplug the bridge.")
        while len(left := self._ports()) >= len(before):
            if (typed := self._terminal.line(POLL_S)) and (name := _named(typed, before)):
                return name
        gone = " and ".join(port.device for port in before if port not in left)
        self._terminal.say(f"{gone} has gone. Plug the bridge in again.")
        return self._await_new(left)

    def _await_new(self, before: Sequence[SerialPort]) -> str:
        known = {port.device for port in before}
        while True:
            new = [port for port in self._ports() if port.device not in known]
            if new:
                time.sleep(POLL_S)  # its stable name appears a moment later
                again = [port for port in self._ports() if port.device == new[0].device]
                self._terminal.say(f"Found {_described((again or new)[0])}.")
                return _name((again or new)[0])
            typed = self._terminal.line(POLL_S)
            if typed and (name := _named(typed, before)):
                return name

    # what it sends

    def _try(self, port: str) -> str | None:
        """Listen and record the format. Return None, or the answer of what to do instead."""
        say = self._terminal.say
        say(f"Listening to {port} for {LISTEN_S:g} s. Leave the key alone.")
        baud = 115200
        try:
            heard = _hear(port, baud, LISTEN_S)
            found = _guess(heard)
            is_bridge = heard.identity is not None or heard.version is not None
            if heard.received and not is_bridge and "://" not in port:
                baud, heard, found = self._try_rates(port, heard, found)
        except LinkError as error:
            say(str(error))
            return self._instead()
        self._answers.port, self._answers.baud = port, baud
        if heard.identity is not None:
            settings = heard.identity.settings
            say(
                f"The reference bridge {heard.identity.name!r}: a pair every {settings.period_us}"
                " µs. It states its own scale."
            )
            self._answers.kind, self._answers.columns = "frames", None
            return None
        if heard.version is not None:
            say(
                f"A reference bridge with wire protocol {heard.version}; this program uses"
                f" {VERSION}. Update its firmware."
            )
            return self._instead()
        if not heard.received:
            say(
                "Nothing arrives. Check the board's supply and firmware; some boards need their"
                " reset button."
            )
            return self._instead()
        if isinstance(found, Unreadable):
            got = f"Got `{found.example}`: " if found.example else ""
            say(f"{got}the lines cannot be read: {found.reason}. Remedy: {found.remedy}.")
            return self._instead()
        return self._settle(found)

    def _try_rates(
        self, port: str, heard: Heard, found: Guess | Unreadable
    ) -> tuple[int, Heard, Guess | Unreadable]:
        """Listen at further rates if what came is no text."""
        if isinstance(found, Unreadable) and (not found.example or found.remedy == CONTROL):
            self._terminal.say("Not readable at 115200 baud; trying others.")
            for baud in BAUDS:
                other = _hear(port, baud, TRY_S)
                better = _guess(other)
                if other.identity is not None or isinstance(better, Guess):
                    self._terminal.say(f"Readable at {baud} baud.")
                    return baud, other, better
        return 115200, heard, found

    def _instead(self) -> str:
        return self._terminal.answer("Enter: listen again; p: choose a port; or type its name:")

    def _settle(self, found: Guess) -> str | None:
        """Confirm the guess and ask for the scale."""
        say = self._terminal.say
        say(
            f"Got `{found.example}`, {found.per_s:.0f} lines a second: these look like"
            f" {found.words()}."
        )
        if found.share < 0.98:
            say(f"{1 - found.share:.0%} of the lines have another format and are dropped.")
        if found.per_s < SLOW_PER_S:
            say(f"{SLOW} Let the board print 100 to 1000 lines a second.")
        if not found.is_named:
            columns = self._ask_columns(found)
            if columns is None:
                return ""
            found = columns
        if found.unit == "counts" and not ask_scale(
            self._terminal, self._answers, found.bits or BITS[0], may_be_mv=not found.is_named
        ):
            found = found.with_unit("mv")
        self._answers.kind = "text-lines"
        self._answers.columns = None if found.is_named else list(found.columns)
        self._answers.states_place = not {"channel", "frequency_khz"}.isdisjoint(found.columns)
        return None

    def _ask_columns(self, found: Guess) -> Guess | None:
        """Return the guess with the columns that the user confirms, None to listen again."""
        while True:
            answer = self._terminal.answer(
                f"Columns: {', '.join(found.columns)}. (Enter: right; l: listen again; or type"
                " them, with the suffix _v, _mv or _counts)"
            )
            if not answer:
                return found
            if answer == "l":
                return None
            columns = tuple(name.strip() for name in answer.split(","))
            if len(columns) != len(found.columns):
                self._terminal.say(f"The lines have {len(found.columns)} numbers.")
                continue
            try:
                layout(columns, LARGEST)
            except ValueError as error:
                self._terminal.say(f"{error}.")
                continue
            return found.with_columns(columns)


def ask_scale(terminal: Terminal, answers: Answers, least_bits: int, *, may_be_mv: bool) -> bool:
    """Ask for width and reference voltage of the converter; return False for millivolts."""
    bits = least_bits
    other = " (mv: the numbers are millivolts)" if may_be_mv else ""
    while answer := terminal.answer(f"Width of the converter in bits [{bits}]{other}:").lower():
        if answer == "mv" and may_be_mv:
            return False
        width = answer.removesuffix("bit").strip(" -")
        if width.isdecimal() and int(width) in range(least_bits, MOST_BITS + 1):
            bits = int(width)
            break
        terminal.say(f"{answer!r} is not a width of {least_bits} to {MOST_BITS} bits.")
    usual_v = USUAL_REFERENCE_V.get(bits)
    shown = f" [{usual_v:g}]" if usual_v else ""
    volts = None
    while volts is None:
        answer = terminal.answer(
            f"Reference voltage of the converter, V, from the board's description{shown}:"
        )
        volts = parse_positive(answer.rstrip(" Vv")) if answer else usual_v
    answers.full_scale, answers.reference_v = 2**bits - 1, volts
    return True


def _hear(port: str, baud: int, seconds: float) -> Heard:
    # Lowering the modem lines would reboot some boards at each rate that is tried.
    link = SerialLink(port, baud, reset_on_open=False)
    with closing(link):
        link.open()
        return hear(link, baud, seconds, lambda _: False)


def _guess(heard: Heard) -> Guess | Unreadable:
    lines = heard.received.replace(b"\r", b"\n").split(b"\n")[1:-1]  # these two may be incomplete
    return guess([line for line in lines if line], heard.seconds)


def _named(answer: str, ports: Sequence[SerialPort]) -> str | None:
    """Return the port of a typed number or name, None if there is no such number. Raises Stop."""
    if answer.lower() == "q":
        raise Stop
    if not answer.isdecimal():
        return answer
    return _name(ports[int(answer) - 1]) if 1 <= int(answer) <= len(ports) else None


def _name(port: SerialPort) -> str:
    return port.stable[0] if port.stable else port.device


def _described(port: SerialPort) -> str:
    words = f"{port.device}: {port.board}"
    return f"{words} ({port.description})" if port.description else words
