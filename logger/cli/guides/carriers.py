"""Measures test carriers keyed by the user, through the daemon if it runs, else the driver."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from drivers.contract import Driver
from logger.calibration.coupler import Coupler
from logger.cli.guides.measure import carrier
from logger.cli.guides.terminal import Terminal
from logger.config.load import Config
from logger.isolate.reading import SwrReading
from logger.live.carrier import Carrier, CarrierSource, OfDaemon, OfDriver
from logger.live.status import ask

USUAL_W = 10.0  # above this, the user is warned that it is too much for a test
NOTHING: Mapping[str, str] = MappingProxyType({})


class Carriers:
    """Measures test carriers.

    Without a daemon the driver is opened once at construction, so that a wrong port is reported
    before any question is asked: raises LinkError.
    """

    def __init__(self, config: Config, coupler: Coupler, terminal: Terminal) -> None:
        self._config = config
        self.coupler = coupler
        self._terminal = terminal
        self._driver: Driver | None = None
        self._source().close()

    @property
    def of_daemon(self) -> bool:
        """True if a daemon holds the device."""
        return ask(self._config.store.path) is not None

    def wait(self, most_w: float = USUAL_W, instead: Mapping[str, str] = NOTHING) -> Carrier:
        """Wait for one key-down, see `carrier`.

        The device is then closed, as unread pairs would accumulate in it. Raises Stop, Instead,
        MismatchdError, LinkError, EndOfInput.
        """
        source = self._source()
        try:
            return carrier(self._terminal, source, most_w=most_w, instead=instead)
        finally:
            source.close()

    def _source(self) -> CarrierSource:
        if self.of_daemon:
            return OfDaemon(self._config)
        if self._driver is None:
            self._driver = self._config.make_driver()
        return OfDriver(self._config, self.coupler, self._driver)


def seen_in(found: Carrier, terminal: Terminal) -> SwrReading | None:
    """Report and return the SWR of a carrier; None if the power was below the readable floor."""
    if found.swr is None or found.swr_low is None or found.swr_high is None:
        terminal.say(
            f"{found.forward_w:.2g} W is below the coupler's readable floor; use a little more."
        )
        return None
    terminal.say(f"SWR {found.swr:.2f} ({found.swr_low:.2f} to {found.swr_high:.2f})")
    return SwrReading(found.swr, found.swr_low, found.swr_high)
