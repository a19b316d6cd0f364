"""Frequency of a station or carrier; may follow from its channel."""

from __future__ import annotations

from logger.config.load import StationOptions

USUAL_MHZ = 27.2  # the citizens band, if neither frequency nor channel is known


def mhz_of(
    station: StationOptions, frequency_mhz: float | None = None, channel: int | None = None
) -> float | None:
    """Return the frequency in MHz if known, otherwise that of the channel, else the station's."""
    plan = station.channels
    candidates = (
        frequency_mhz,
        None if channel is None else plan.get(channel),
        station.frequency_mhz,
        None if station.channel is None else plan.get(station.channel),
    )
    return next((mhz for mhz in candidates if mhz is not None), None)
