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
        on = forward_w >= self._on_w
        off = forward_w < self._off_w
        decided = on | off
        if decided.all():  # the usual case: nothing between the two thresholds
            keyed = on
        else:
            last = np.where(decided, np.arange(len(on)), -1)
            np.maximum.accumulate(last, out=last)
            keyed = np.where(last >= 0, on[last], self._down)
        self._down = bool(keyed[-1])
        return keyed
