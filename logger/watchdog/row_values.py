"""Values of transmissions that rules compare, and their memory by channel."""

from __future__ import annotations

from typing import TypeVar

from logger.places import place_name
from logger.rows import Flag, Transmission

V = TypeVar("V")

UNREADABLE = int(Flag.BELOW_FLOOR | Flag.CLIPPED | Flag.UNSETTLED)


def is_readable(row: Transmission) -> bool:
    """True if the SWR of the row is valid for comparisons."""
    return row.swr is not None and not row.flags & UNREADABLE


def rho_of(swr: float) -> float:
    """Return the reflection coefficient, rounded to 6 decimals.

    The last bits of a mean depend on the cut of the blocks; rounding keeps them out of learned
    values.
    """
    return round((swr - 1) / (swr + 1), 6)


def use_latest(memory: dict[str, V], name: str, default: V, most: int) -> V:
    """Return the value of a channel, `default` if new, and mark it as the most recently used.

    Beyond `most` channels, the least recently used one is dropped.
    """
    value = memory.pop(name, default)
    memory[name] = value
    if len(memory) > most:
        del memory[next(iter(memory))]
    return value


def channel_of(row: Transmission) -> str:
    """Return the name of antenna and channel, or segment, under which rows are compared."""
    return place_name(row.channel, row.frequency_khz, row.antenna, "this station")
