"""Determines the frequency of a transmission: from the bridge, or as typed by the user."""

from __future__ import annotations

from drivers.channels import CHANNEL_MHZ
from logger.config.load import StationOptions
from logger.live.carrier import Carrier

Where = tuple[int | None, float]  # channel, kHz


def told(carrier: Carrier, station: StationOptions, *, sure: bool) -> Where | None:
    """Return channel and frequency as reported by the bridge, None if it reports none.

    Values equal to those of the configuration may come from there, and the user may have changed
    the channel since, so they count only if `sure`: the bridge is known to report them.
    """
    channel, khz = carrier.channel, carrier.frequency_khz
    if channel == station.channel and not sure:
        channel = None
    if khz == station.frequency_khz and not sure:
        khz = None
    if channel is not None and khz is None and channel in CHANNEL_MHZ:
        khz = 1e3 * CHANNEL_MHZ[channel]
    return None if khz is None else (channel, khz)


def parsed(text: str) -> Where | None:
    """Return a typed citizens-band channel or frequency in MHz, None for anything else."""
    try:
        if text.isdecimal() and int(text) in CHANNEL_MHZ:
            return int(text), 1e3 * CHANNEL_MHZ[int(text)]
        mhz = float(text.lower().removesuffix("mhz").strip().replace(",", "."))
    except ValueError:
        return None
    return (None, 1e3 * mhz) if 0.1 <= mhz <= 3000 and not text.isdecimal() else None
