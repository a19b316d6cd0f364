"""Usual powers of the station's own transmissions, for comparison with foreign signals.

They are learned from transmissions with a good match and apply from the next renewal of the noise
estimate on (see `pipeline`), so that results do not depend on how the stream was cut into blocks.
"""

from __future__ import annotations

import msgspec

from logger.rows import Transmission

REMEMBERED = 16  # transmissions
SOUND_SWR = 3.0
LEAST_SETTLED = 20


class OwnPower(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Highest incident and mean reflected watts of the latest sound transmissions, oldest first."""

    forward_w: tuple[float, ...] = ()
    reflected_w: tuple[float, ...] = ()

    @property
    def least_w(self) -> float | None:
        """Least transmitted power in watts, None before the first sound transmission."""
        return min(self.forward_w, default=None)


class OwnPowerTracker:
    """Powers learned from ended transmissions; `learned` holds the present ones."""

    def __init__(self, known: OwnPower) -> None:
        self.learned = known

    def learn(self, row: Transmission) -> None:
        """Learn from an ended transmission."""
        if row.swr is None or row.swr > SOUND_SWR or row.settled_samples < LEAST_SETTLED:
            return
        forward_w = (*self.learned.forward_w, round(row.forward_w_max, 4))
        reflected_w = (*self.learned.reflected_w, round(row.reflected_w_mean, 4))
        self.learned = OwnPower(forward_w[-REMEMBERED:], reflected_w[-REMEMBERED:])
