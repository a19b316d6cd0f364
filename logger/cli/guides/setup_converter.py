"""Finds a converter that the Linux kernel supports, its channels, and the rate of its pairs."""

from __future__ import annotations

import time
from contextlib import closing
from pathlib import Path

from drivers.contract import LinkError
from drivers.iio.device import Converter, VoltageChannel, find_channel, list_converters, read_number
from drivers.iio.driver import IioDriver, IioOptions
from logger.cli.guides.setup_port import SLOW, SLOW_PER_S
from logger.cli.guides.terminal import Terminal
from logger.setup.answers import Answers

SYSFS, DEV = Path("/sys/bus/iio/devices"), Path("/dev")
LISTEN_S, STEP_S = 2.0, 0.1


class ConverterGuide:
    """Asks for the converter and its channels, and puts both into the answers."""

    def __init__(
        self, terminal: Terminal, answers: Answers, sysfs: Path = SYSFS, dev: Path = DEV
    ) -> None:
        self._terminal = terminal
        self._answers = answers
        self._sysfs, self._dev = sysfs, dev

    def run(self) -> bool:
        """Ask, if there is a converter; return False if the coupler is at none. Raises Stop."""
        converters = list_converters(self._sysfs)
        while converters:
            converter = self._choose(converters)
            if converter is None:
                return False
            if self._settle(converter):
                return True
        return False

    def _choose(self, converters: list[Converter]) -> Converter | None:
        for number, converter in enumerate(converters, 1):
            channels = ", ".join(converter.channels)
            self._terminal.say(f"{number}  {converter.folder.name}, {converter.name}: {channels}")
        while True:
            answer = self._terminal.answer(
                "Are the detectors wired to one of these converters of this host? (number; Enter:"
                " no, to a microcontroller bridge)"
            )
            if not answer:
                return None
            if answer.isdecimal() and 1 <= int(answer) <= len(converters):
                return converters[int(answer) - 1]
            self._terminal.say(f"There is no converter {answer}.")

    def _settle(self, converter: Converter) -> bool:
        """Ask for the channels and read them; return False to choose again."""
        say = self._terminal.say
        say("Leave the key alone.")
        for name in converter.channels:
            try:
                say(f"- {_described(find_channel(converter.folder, name))}")
            except LinkError as error:
                say(f"- {error}")
        forward, reflected = self._ask_channels(converter)
        options = IioOptions(
            device=converter.name,
            forward=forward,
            reflected=reflected,
            sysfs=self._sysfs,
            dev=self._dev,
        )
        try:
            per_s = _measure_rate(options)
        except LinkError as error:
            say(str(error))
            per_s = 0.0
        if per_s == 0:
            if (
                self._terminal.answer("Enter: choose again; k: keep it, and repair that later:")
                != "k"
            ):
                return False
        else:
            say(f"The driver reads {per_s:.0f} pairs a second.")
            if per_s < SLOW_PER_S:
                say(f"{SLOW} Set the converter's sampling frequency, or `rate_hz` of the driver.")
        answers = self._answers
        answers.kind, answers.device = "iio", options.device
        answers.forward, answers.reflected = options.forward, options.reflected
        return True

    def _ask_channels(self, converter: Converter) -> tuple[str, str]:
        proposed = converter.channels[:2]
        while True:
            answer = self._terminal.answer(
                f"Channels of the forward and the reflected detector [{', '.join(proposed)}]:"
            )
            chosen = answer.replace(",", " ").split() if answer else proposed
            if len(chosen) == 2 and chosen[0] != chosen[1] and set(chosen) <= {*converter.channels}:
                return chosen[0], chosen[1]
            self._terminal.say(f"{answer!r}: name two of {', '.join(converter.channels)}.")


def _described(channel: VoltageChannel) -> str:
    count = read_number(channel.file)
    scale = f", {1000 * channel.step_v:.4g} mV a count" if channel.step_v else ""
    return f"{channel.name}: now {channel.volts(count):.3f} V ({count:g}{scale})"


def _measure_rate(options: IioOptions) -> float:
    """Return the pairs a second that the driver reads, 0 if none. Raises LinkError."""
    pairs, begun_s = 0, time.monotonic()
    with closing(IioDriver(options)) as driver:
        driver.open()
        while time.monotonic() - begun_s < LISTEN_S:
            block = driver.read(STEP_S, STEP_S)
            pairs += 0 if block is None else len(block)
    return pairs / (time.monotonic() - begun_s)
