"""What rules read in rows of transmissions and seconds."""

from __future__ import annotations

import math

from logger.rows import Flag, Second, Transmission

BIN = 0.002  # of ln frequency: what counts as the same channel if these are not known
UNREADABLE = int(Flag.BELOW_FLOOR | Flag.CLIPPED | Flag.UNSETTLED)


def is_readable(row: Second | Transmission) -> bool:
    """Whether its SWR means something to those that compare."""
    return row.swr is not None and not row.flags & UNREADABLE


def rho_of(swr: float) -> float:
    """The reflection coefficient, rounded so that the cut of the blocks, which shows in the last
    bits of a mean, does not show in what is learned from it."""
    return round((swr - 1) / (swr + 1), 6)


def channel_of(row: Transmission) -> str:
    """The name of the channel, or of the frequency, to compare with the same."""
    if row.channel is not None:
        return f"channel {row.channel}"
    if row.frequency_khz is None or row.frequency_khz <= 0:
        return "this station"
    centre_khz = math.exp(round(math.log(row.frequency_khz) / BIN) * BIN)
    return f"{centre_khz / 1e3:.3f} MHz"
