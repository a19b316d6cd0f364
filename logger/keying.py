"""Key-down and key-up from incident power, with hysteresis."""

from __future__ import annotations

import numpy as np

from logger.blocks import Bools, Floats

RELEASE = 0.7  # the key counts as up below this part of the threshold


class Keying:
    """Remembers across blocks whether the key was down."""

    def __init__(self, min_forward_w: float) -> None:
        self._on_w = min_forward_w
        self._off_w = RELEASE * min_forward_w
        self._down = False

    def update(self, forward_w: Floats) -> Bools:
        """Whether the key is down at each pair, (n,)."""
        keyed = forward_w >= self._on_w
        between = np.flatnonzero(keyed != (forward_w >= self._off_w))
        if len(between):  # a run of such pairs is as the pair before it
            begins = np.diff(between, prepend=-2) != 1
            first = between[begins]
            before = np.where(first > 0, keyed[first - 1], self._down)
            keyed[between] = before[np.cumsum(begins) - 1]
        self._down = bool(keyed[-1])
        return keyed
