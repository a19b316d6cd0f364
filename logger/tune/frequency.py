"""At which frequency a transmission was: as far as the bridge tells it, else as a person does."""

from __future__ import annotations

from drivers.channels import CHANNEL_MHZ
from logger.config.load import StationOptions
from logger.live.carrier import Carrier

Where = tuple[int | None, float]  # channel, kHz


def told(carrier: Carrier, station: StationOptions, *, sure: bool) -> Where | None:
    """Where it was by the bridge, None if that cannot be told. What is as the configuration has it
    may come from there, and the person may have changed the channel; `sure`: it comes from the
    bridge all the same."""
    channel, khz = carrier.channel, carrier.frequency_khz
    if channel == station.channel and not sure:
        channel = None
    if khz == station.frequency_khz and not sure:
        khz = None
    if channel is not None and khz is None and channel in CHANNEL_MHZ:
        khz = 1e3 * CHANNEL_MHZ[channel]
    return None if khz is None else (channel, khz)


def parsed(text: str) -> Where | None:
    """A channel of the citizens band, or a frequency in MHz, as typed; None for anything else."""
    try:
        if text.isdecimal() and int(text) in CHANNEL_MHZ:
            return int(text), 1e3 * CHANNEL_MHZ[int(text)]
        mhz = float(text.lower().removesuffix("mhz").strip().replace(",", "."))
    except ValueError:
        return None
    return (None, 1e3 * mhz) if 0.1 <= mhz <= 3000 and not text.isdecimal() else None
