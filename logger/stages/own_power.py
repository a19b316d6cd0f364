"""Usual powers of the station's own transmissions, against which signals of others are judged.

They are learned from sound transmissions and apply from the next renewal on (see `pipeline`), so
that results do not depend on how the stream was cut into blocks.
"""

from __future__ import annotations

import msgspec

from logger.rows import Transmission

REMEMBERED = 16  # transmissions
SOUND_SWR = 3.0
LEAST_SETTLED = 20


class OwnPower(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The latest sound transmissions, oldest first: highest incident and mean reflected watts."""

    forward_w: tuple[float, ...] = ()
    reflected_w: tuple[float, ...] = ()

    @property
    def least_w(self) -> float | None:
        """The least of the powers transmitted with, None before the first sound transmission."""
        return min(self.forward_w, default=None)


class OwnPowerTracker:
    """Takes in ended transmissions with `learn`; `learned` holds the powers known so far."""

    def __init__(self, known: OwnPower) -> None:
        self.learned = known

    def learn(self, row: Transmission) -> None:
        """Take in an ended transmission."""
        if row.swr is None or row.swr > SOUND_SWR or row.settled_samples < LEAST_SETTLED:
            return
        forward_w = (*self.learned.forward_w, round(row.forward_w_max, 4))
        reflected_w = (*self.learned.reflected_w, round(row.reflected_w_mean, 4))
        self.learned = OwnPower(forward_w[-REMEMBERED:], reflected_w[-REMEMBERED:])
