"""Channel, level and power of a transmission, as the statistics of faults use them."""

from __future__ import annotations

from logger.places import place_name
from logger.rows import Transmission

DECIMALS, ROUNDING = 4, 1e-8  # as stored: last bits depend on the cut of blocks


def channel_of(row: Transmission) -> str:
    """Return the name of antenna and channel, or segment; a bare channel is only its number."""
    if row.antenna is None and (row.channel is not None or row.frequency_khz is None):
        return str(row.channel)
    return place_name(row.channel, row.frequency_khz, row.antenna, "")


def level_of(row: Transmission, swr: float) -> tuple[str, float]:
    """Return channel, or frequency, and |Γ|."""
    return channel_of(row), reflection(swr)


def power_of(row: Transmission) -> tuple[str, float]:
    """Return channel, or frequency, and incident watts."""
    return channel_of(row), watts_of(row)


def watts_of(row: Transmission) -> float:
    """Return incident watts."""
    return rounded(row.forward_w_mean)


def reflection(swr: float) -> float:
    """Return |Γ| of an SWR."""
    swr = rounded(swr)
    return (swr - 1) / (swr + 1)


def rounded(figure: float) -> float:
    """Return a figure as the store has it."""
    return round(figure + ROUNDING, DECIMALS)
