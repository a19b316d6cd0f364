"""Key-down and key-up from incident power, with hysteresis; rejection of foreign signals.

Power from outside (another transmitter, received by the antenna or picked up by the wiring) shows
on the reflected port at least as strongly as on the forward port. So a pair with more reflected
power than any load can cause is foreign. A pair with equal readings on both ports, as into an open,
is ours unless its power is far below all powers of this station.

This module is responsible for these decisions, and for learning the station's own powers from
transmissions with a good match. Input: powers and ended transmissions. Output: two masks. Learned
powers apply from the next renewal of the noise estimate on (see `pipeline`), so that results do not
depend on how the stream was cut into blocks.
"""

from __future__ import annotations

import msgspec
import numpy as np

from logger.blocks import Bools, Floats
from logger.rows import Transmission

RELEASE = 0.7  # the key counts as up below this share of the threshold
ALIKE = 0.5  # reflected over incident power above which a weak signal may come from outside
WEAK = 0.1  # share of the station's least power
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

    def __init__(self, learned: OwnPower) -> None:
        self.learned = learned

    def learn(self, row: Transmission) -> None:
        """Learn from an ended transmission."""
        if row.swr is None or row.swr > SOUND_SWR or row.settled_samples < LEAST_SETTLED:
            return
        forward_w = (*self.learned.forward_w, round(row.forward_w_max, 4))
        reflected_w = (*self.learned.reflected_w, round(row.reflected_w_mean, 4))
        self.learned = OwnPower(forward_w[-REMEMBERED:], reflected_w[-REMEMBERED:])


class Keying:
    """Keying state, continued across blocks: key position and origin of the signal."""

    def __init__(self, min_forward_w: float, impossible_ratio: float) -> None:
        self._on_w = min_forward_w
        self._off_w = RELEASE * min_forward_w
        self._impossible_ratio = impossible_ratio
        self._down = False
        self._ours = False

    def update(self, forward_w: Floats, reflected_w: Floats, own: OwnPower) -> tuple[Bools, Bools]:
        """Return two masks (n,): our key is down; a foreign signal is received instead."""
        power = self._apply_hysteresis(forward_w)
        impossible = reflected_w > self._impossible_ratio * np.maximum(forward_w, 0.0)
        possible = power & ~impossible
        weak_w = WEAK * (own.least_w or 0.0)
        ours = self._extend(
            possible, possible & ~self._is_like_foreign(forward_w, reflected_w, weak_w)
        )
        foreign = (power & ~ours) | (impossible & (reflected_w >= self._off_w))
        return ours, foreign

    def _apply_hysteresis(self, forward_w: Floats) -> Bools:
        keyed = forward_w >= self._on_w
        between = np.flatnonzero(keyed != (forward_w >= self._off_w))
        if len(between):  # a run of such pairs keeps the state of the pair before it
            begins = np.diff(between, prepend=-2) != 1
            first = between[begins]
            states = np.where(first > 0, keyed[first - 1], self._down)
            keyed[between] = states[np.cumsum(begins) - 1]
        self._down = bool(keyed[-1])
        return keyed

    def _is_like_foreign(self, forward_w: Floats, reflected_w: Floats, weak_w: float) -> Bools:
        return np.asarray((forward_w < weak_w) & (reflected_w > ALIKE * forward_w))

    def _extend(self, possible: Bools, certain: Bools) -> Bools:
        """Return `possible` (n,), in each run from the first pair that is `surely` ours."""
        if not possible.any() or (possible == certain).all():
            ours = certain
        else:
            index = np.arange(len(possible))
            broken = np.maximum.accumulate(np.where(possible, -1, index))
            sure = np.maximum.accumulate(np.where(certain, index, -1))
            ours = possible & ((sure > broken) | ((broken < 0) & self._ours))
        self._ours = bool(ours[-1])
        return ours
