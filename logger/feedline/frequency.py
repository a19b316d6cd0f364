"""Frequency of a station or carrier; may follow from its channel."""

from __future__ import annotations

from drivers.channels import CHANNEL_MHZ

USUAL_MHZ = 27.2  # the citizens band, if neither frequency nor channel is known


def channel_mhz(channel: int | None) -> float | None:
    """Return the frequency of one of the 40 citizens band channels, MHz; None for any other."""
    return None if channel is None else CHANNEL_MHZ.get(channel)


def mhz_of(frequency_mhz: float | None, *channels: int | None) -> float | None:
    """Return the frequency in MHz if known, otherwise that of the first channel that has one."""
    candidates = [frequency_mhz, *(channel_mhz(channel) for channel in channels)]
    return next((mhz for mhz in candidates if mhz is not None), None)
