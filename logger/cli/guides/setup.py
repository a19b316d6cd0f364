"""Asks for what a configuration needs, checks the coupler's ports, and writes the file."""

from __future__ import annotations

import itertools
import os
import tempfile
from contextlib import closing
from pathlib import Path

from drivers.contract import Driver
from logger.calibration.bench_session import LIMIT_S, UNKEYED_S, doubts_of_zero
from logger.calibration.steady import Quiet, SteadyReading, Trouble, Watch
from logger.cautions import DUMMY_LOAD, before_keying
from logger.cli.guides.pairs import PairListener
from logger.cli.guides.setup_converter import ConverterGuide
from logger.cli.guides.setup_port import PortGuide, ask_scale
from logger.cli.guides.terminal import Stop, Terminal
from logger.config.load import MOST_MHZ, Config, load
from logger.errors import ConfigError, MismatchdError
from logger.setup.answers import Answers, AnswersFile
from logger.setup.guess import BITS
from logger.setup.port_check import PortOrder, judge
from logger.setup.rendering import render
from logger.wording import parse_positive

AVERAGE_S = 1.0
BEYOND = "out_of_range"  # counter of lines with counts above the configured full scale
FEW_LINES = 5
HIGHEST_CHANNEL = 9999
TROUBLES = {
    Trouble.CLIPPED: "Release the key: the converter is at the end of its range. Fit a divider or"
    " more turns before you key again.",
    Trouble.RELEASED: "Released too soon; key until you are asked to release the key.",
    Trouble.TOO_LONG: "Release the key: the readings are not steady. Key a carrier without speech.",
    Trouble.GAP: "Release the key: pairs stopped arriving.",
}


class SetupGuide:
    """Fills the answers one by one, each stored at once, and writes the configuration."""

    def __init__(self, terminal: Terminal, path: Path, answers: Answers) -> None:
        self._terminal = terminal
        self._path = path
        self._file = AnswersFile(path)
        self._answers = answers

    def run(self) -> Config:
        """Ask for what is missing, write the file and return it, loaded. Raises Stop."""
        answers = self._answers
        if not os.access(self._path.parent, os.W_OK):
            raise MismatchdError(
                f"{self._path.parent}: cannot be written to; run this in a folder of your own, or"
                " name the configuration with -c FILE"
            )
        if answers.kind is None:
            if not ConverterGuide(self._terminal, answers).run():
                PortGuide(self._terminal, answers).run()
            self._store()
        if answers.name is None:
            self._ask_station()
            self._store()
        if answers.highest_w is None:
            self._ask_powers()
            self._store()
        if not answers.checked_ports:
            self._check_ports()
            answers.checked_ports = True
            self._store()
        return self._write()

    def _store(self) -> None:
        try:
            self._file.write(self._answers)
        except OSError as error:
            raise MismatchdError(
                f"{self._file.path}: cannot be written: {error.strerror}"
            ) from error

    def _ask_station(self) -> None:
        terminal, answers = self._terminal, self._answers
        name = terminal.answer("Name of the station, for messages and reports [station]:")
        while not answers.states_place:
            text = terminal.answer(
                "Channel, or frequency in MHz, that you use most; the SWR depends on it [unknown]:"
            )
            if not text:
                break
            value = parse_positive(text.lower().removesuffix("mhz").strip())
            is_channel = text.isdecimal() and int(text) <= HIGHEST_CHANNEL
            if value is not None and is_channel:
                answers.channel = int(value)
            elif value is not None and value < MOST_MHZ:
                answers.frequency_mhz = value
            else:
                meant = f"; did you mean {value / 1000:g}?" if value and value < 1e6 else ""
                terminal.say(f"{text!r} is neither a channel nor a frequency in MHz{meant}")
                continue
            break
        answers.name = name or "station"

    def _ask_powers(self) -> None:
        highest_w = self._ask_watts(
            "Highest power of the transmitter, W (speech: at its peaks) [4]:", 4.0
        )
        while True:
            lowest_w = self._ask_watts(f"Lowest power that you use, W [{highest_w:g}]:", highest_w)
            if lowest_w <= highest_w:
                break
            self._terminal.say("That is more than the highest power.")
        self._answers.highest_w, self._answers.lowest_w = highest_w, lowest_w

    def _ask_watts(self, prompt: str, proposed: float) -> float:
        while True:
            answer = self._terminal.answer(prompt)
            watts = parse_positive(answer.rstrip(" Ww")) if answer else proposed
            if watts is not None:
                return watts
            self._terminal.say(f"{answer!r} is not a power; give watts such as 4, or q")

    # the key-down

    def _check_ports(self) -> None:
        """Tell the two ports apart, if the user agrees."""
        terminal = self._terminal
        terminal.say("")
        terminal.say("One short key-down shows whether the two ports are exchanged.")
        for text in before_keying(DUMMY_LOAD):
            terminal.say(text)
        if terminal.answer("Enter when the dummy load is connected; s: skip this:").lower() == "s":
            return
        while not self._key_down() and self._again() != "s":
            pass

    def _again(self) -> str:
        return self._terminal.answer("Enter: try again; s: skip this:").lower()

    def _key_down(self) -> bool:
        """Judge one key-down; return True if the ports are right, or have been swapped."""
        terminal = self._terminal
        with closing(self._configuration().make_driver()) as driver:
            driver.open()
            pairs = PairListener(driver, terminal)
            pairs.begin()
            terminal.say("Leave the key alone.")
            unkeyed = self._measure(driver, pairs, None)
            if not isinstance(unkeyed, SteadyReading):
                terminal.say("The readings are not steady although nothing should be keyed.")
                return False
            if doubtful := doubts_of_zero(unkeyed):
                terminal.say(f"Release the key: {doubtful[0]}")
                return False
            quiet = Quiet.of(unkeyed.point("matched", 0.0))
            assert quiet is not None  # a reading states its noise
            terminal.say("Key the transmitter.")
            reading = self._measure(driver, pairs, quiet)
            terminal.ring()
            if reading is None:
                return False
            if isinstance(reading, Trouble):
                terminal.say(TROUBLES[reading])
            else:
                terminal.say("Release the key.")
            pairs.wait_for_release(quiet)
        if isinstance(reading, Trouble):
            return False
        terminal.say(
            f"Forward {reading.forward.mean_v:.3f} V, reflected {reading.reflected.mean_v:.3f} V."
        )
        return self._act_on(judge(quiet, reading))

    def _act_on(self, order: PortOrder) -> bool:
        say = self._terminal.say
        if order is PortOrder.RIGHT:
            say("The ports are right.")
            return True
        if order is PortOrder.ALIKE:
            say(
                "Both ports read alike. With a dummy load on the antenna port the reflected reading"
                " must be small: is the load connected, and does each detector have its own input?"
            )
            return False
        if self._answers.exchange():
            say(
                "The ports are exchanged: the wave of the transmitter arrives at the port called"
                " reflected. They were swapped in the configuration."
            )
            return True
        say("The ports are exchanged. Turn the coupler round, or swap its wires at the bridge.")
        return False

    def _measure(
        self, driver: Driver, pairs: PairListener, quiet: Quiet | None
    ) -> SteadyReading | Trouble | None:
        """Return the steady reading, or why there is none; None if it was given up."""
        terminal, full_scale = self._terminal, self._answers.full_scale
        watch = Watch(quiet, AVERAGE_S if quiet else UNKEYED_S, LIMIT_S)
        beyond = driver.counters.get(BEYOND, 0) + FEW_LINES
        while True:
            if terminal.interactive and (line := terminal.line(0.0)) is not None:
                if line.lower() == "q":
                    raise Stop
                return None
            block, _ = pairs.listen()
            if full_scale is not None and driver.counters.get(BEYOND, 0) > beyond:
                terminal.say(f"Release the key: the counts exceed {full_scale}.")
                bits = next(bits for bits in BITS if 2**bits - 1 > full_scale)
                ask_scale(terminal, self._answers, bits, may_be_mv=False)
                return None
            if block is None:
                continue
            outcome = watch.update(block)
            forward_v, reflected_v = watch.latest_v or (0.0, 0.0)
            terminal.draw(f"forward {forward_v:.3f} V, reflected {reflected_v:.3f} V")
            if outcome is not None:
                return outcome

    # the file

    def _configuration(self) -> Config:
        """Return the configuration of the answers so far, as the program reads it."""
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "config.yaml"
            path.write_text(render(self._answers), encoding="utf-8")
            return load(path)

    def _write(self) -> Config:
        self._configuration()  # an error must not replace a file
        text = render(self._answers)
        try:
            if self._path.exists():
                old = _unused(self._path)
                self._terminal.answer(
                    f"Enter: replace {self._path}, and keep the present one as {old.name}; q: quit:"
                )
                os.replace(self._path, old)
            self._path.write_text(text, encoding="utf-8")
        except OSError as error:
            raise ConfigError(f"{self._path}: cannot be written: {error.strerror}") from error
        self._file.remove()
        self._terminal.say(f"Wrote {self._path}.")
        return load(self._path)


def _unused(path: Path) -> Path:
    """Return a name for the present file at `path` that no file has."""
    names = (path.with_name(f"{path.name}.old{number or ''}") for number in itertools.count())
    return next(name for name in names if not name.exists())
