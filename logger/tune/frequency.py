"""Determines the frequency of a transmission: from the bridge, or as typed by the user."""

from __future__ import annotations

from collections.abc import Mapping

from logger.config.load import StationOptions
from logger.live.carrier import Carrier

Where = tuple[int | None, float]  # channel, kHz


class FrequencyFinder:
    """Finds channel and frequency of transmissions in what the bridge reports.

    Values equal to those of the configuration may come from there, and the user may have changed
    the channel since, so they count only once the bridge has reported others.
    """

    def __init__(self, station: StationOptions) -> None:
        self._station = station
        self._is_reported = False

    def find(self, carrier: Carrier) -> Where | None:
        """Return where a transmission was, None if the bridge does not report it."""
        channel, khz = carrier.channel, carrier.frequency_khz
        if channel == self._station.channel and not self._is_reported:
            channel = None
        if khz == self._station.frequency_khz and not self._is_reported:
            khz = None
        plan = self._station.channels
        if channel is not None and khz is None and channel in plan:
            khz = 1e3 * plan[channel]
        if khz is None:
            return None
        self._is_reported = True
        return channel, khz


def parse_where(text: str, plan: Mapping[int, float]) -> Where | None:
    """Return a typed channel of the plan or frequency in MHz, None for anything else."""
    try:
        if text.isdecimal() and int(text) in plan:
            return int(text), 1e3 * plan[int(text)]
        mhz = float(text.lower().removesuffix("mhz").strip().replace(",", "."))
    except ValueError:
        return None
    return (None, 1e3 * mhz) if 0.1 <= mhz <= 3000 and not text.isdecimal() else None
