"""Test carriers keyed by the user, measured through the daemon if it runs, else the driver."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from types import MappingProxyType

from drivers.contract import Driver
from logger.cli.guides.terminal import Stop, Terminal
from logger.cli.station import coupler_of
from logger.config.load import Config
from logger.errors import MismatchdError
from logger.live.carrier import Carrier, CarrierSource, DaemonSource, DriverSource, SwrReading
from logger.live.key_down import ENOUGH_S, FIT_S, USUAL_W, KeyDown
from logger.live.reading import LiveReading
from logger.live.status import ask

SILENCE_S = 10.0
NOTHING: Mapping[str, str] = MappingProxyType({})


class Instead(Exception):  # noqa: N818 - a request of the user, not an error
    """Raised when the user types one of the offered words instead of keying."""


class Carriers:
    """Measures test carriers.

    Without a daemon the driver is opened once at construction, so that a wrong port is reported
    before any question is asked: raises LinkError.
    """

    def __init__(self, config: Config, terminal: Terminal) -> None:
        self._config = config
        self.coupler = coupler_of(config)
        self._terminal = terminal
        self._driver: Driver | None = None
        with self.source():
            pass
        self._driver = None  # a simulation or a file begins with the first carrier

    @property
    def of_daemon(self) -> bool:
        """True if a daemon holds the device."""
        return ask(self._config.store.path) is not None

    @contextmanager
    def source(self) -> Iterator[CarrierSource]:
        """Open the device, or the daemon's feed, for a while. Raises LinkError."""
        opened: CarrierSource
        if self.of_daemon:
            opened = DaemonSource(self._config)
        else:
            self._driver = self._driver or self._config.make_driver()
            opened = DriverSource(self._config, self.coupler, self._driver)
        with closing(opened):
            yield opened

    def wait(
        self,
        most_w: float = USUAL_W,
        instead: Mapping[str, str] = NOTHING,
        enough_s: float = ENOUGH_S,
    ) -> Carrier:
        """Ask for a key-down of `enough_s`, with the bell; return the carrier when it has ended.

        Above `most_w` the user is warned. `instead` maps words that may be typed to their meaning.
        The device is then closed, as unread pairs would accumulate in it. Raises Stop, Instead,
        MismatchdError, LinkError, EndOfInput.
        """
        terminal = self._terminal
        with self.source() as source:
            source.begin()
            terminal.say(f"Key the transmitter for {enough_s:g} s, then release it. (q stops.)")
            terminal.ring()
            for word, meaning in instead.items():
                terminal.say(f"- {word} and Enter: {meaning}")
            while isinstance(event := wait_for_event(terminal, source, most_w, enough_s), str):
                word = event.lower()
                if word == "q":
                    raise Stop
                if word in instead:
                    raise Instead(word)
        return event


def wait_for_event(
    terminal: Terminal, source: CarrierSource, most_w: float, enough_s: float = ENOUGH_S
) -> Carrier | str:
    """Return the next completed carrier, or the next line typed at a terminal.

    `most_w` is the power above which the user is warned, `enough_s` the duration asked for. Raises
    Stop, MismatchdError, EndOfInput.
    """
    latest_s, key_down = time.monotonic(), KeyDown(most_w, enough_s)
    warnings = set()

    def warn(text: str) -> None:
        if text not in warnings:
            warnings.add(text)
            terminal.ring()
            terminal.say(text)

    while True:
        if terminal.interactive and (line := terminal.line(0.0)) is not None:
            return line
        reading, carrier = source.listen()
        for notice in source.notices():
            terminal.say(notice)
        now_s = time.monotonic()
        if carrier is not None:
            if carrier.duration_s >= FIT_S:
                return carrier
            terminal.say(f"{carrier.duration_s:.1f} s is too short; key once more.")
            source.begin()
            key_down.restart()
            warnings.clear()
        if reading is not None:
            latest_s = now_s
            terminal.draw(*_forms(reading))
            for warning in key_down.take(reading, now_s):
                warn(warning)
        elif now_s - latest_s > SILENCE_S:
            raise SilenceError


class SilenceError(MismatchdError):
    """No reading has come for SILENCE_S."""

    def __init__(self, hint: str = "") -> None:
        super().__init__(
            f"no pair for {SILENCE_S:g} s; check the bridge's plug and `mismatchd status`{hint}"
        )


def _forms(reading: LiveReading) -> list[str]:
    """Return the progress line in several lengths, longest first."""
    if not reading.keyed:
        return ["waiting for the key"]
    forward = f"{reading.forward_w or 0:.2f} W"
    if reading.swr is None or reading.swr_low is None or reading.swr_high is None:
        return [f"{forward}, SWR not readable"]
    short = f"{forward}, SWR {reading.swr:.2f}"
    return [f"{short} ({reading.swr_low:.2f} to {reading.swr_high:.2f})", short]


def report_swr(carrier: Carrier, terminal: Terminal) -> SwrReading | None:
    """Report and return the SWR of a carrier; None if the power was below the readable floor."""
    reading = carrier.reading
    terminal.say(
        f"{carrier.forward_w:.2g} W is below the coupler's readable floor; use a little more."
        if reading is None
        else f"SWR {reading.swr:.2f} ({reading.low:.2f} to {reading.high:.2f})"
    )
    return reading
