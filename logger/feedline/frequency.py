"""Frequency of a station or carrier; may follow from its channel."""

from __future__ import annotations

from logger.config.load import AntennaOptions, StationOptions

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


def mhz_of_antenna(station: StationOptions, antenna: AntennaOptions | None) -> float | None:
    """Return the station's frequency in MHz if it is in a band of the antenna.

    Otherwise it is the middle of the antenna's first band; None if neither is known.
    """
    mhz, bands = mhz_of(station), () if antenna is None else antenna.ranges
    if not bands or (mhz and any(band.low_mhz <= mhz <= band.high_mhz for band in bands)):
        return mhz
    return (bands[0].low_mhz + bands[0].high_mhz) / 2
