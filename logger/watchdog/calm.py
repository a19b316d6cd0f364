"""Readings during a transmission that cannot raise an alarm within milliseconds.

This module is responsible for a bound in volts that costs little. Input: the coupler, and the
bounds of the rules. Output: whether a block stays below all of them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from drivers.contract import SampleBlock
from logger.calibration.coupler import Coupler

POINTS = 256
LEAST_V = 1e-5  # above the zero
CERTAINLY = 0.9  # the inverse of a law is approximate


class CalmBound:
    """The straight line below what the rules allow as reflected reading for each forward reading.

    bounds    (slope, offset in watts) of reflected over incident power, of each rule
    keyed_w   least incident power of a pair with the key down

    Where the law depends on what comes with the pairs, no block is calm.
    """

    def __init__(
        self, coupler: Coupler, bounds: Sequence[tuple[float, float]], keyed_w: float
    ) -> None:
        ports = coupler.content.forward, coupler.content.reflected
        self._known = not any(port.r_is_per_c or port.coupling_by_khz for port in ports)
        top_v = coupler.content.valid.forward_v[1]
        above_v = np.geomspace(LEAST_V, max(top_v, 2 * LEAST_V), POINTS)
        forward_w = coupler.forward.watts(coupler.forward.zero_v + above_v)
        allowed_w = np.min([slope * forward_w + offset for slope, offset in bounds], axis=0)
        allowed_v = coupler.reflected.volts(np.maximum(CERTAINLY * allowed_w, 0.0))
        zero_v = coupler.reflected.zero_v
        self._slope = float(np.min((allowed_v - zero_v) / above_v))
        self._offset_v = zero_v - self._slope * coupler.forward.zero_v
        least_w = min(slope * keyed_w + offset for slope, offset in bounds)
        self._least_v = float(coupler.reflected.volts(CERTAINLY * least_w))
        self._top_v = top_v

    def holds(self, block: SampleBlock) -> bool:
        """True if every pair of the block is within the bounds."""
        if not self._known or block.forward_v.max() > self._top_v:
            return False
        if block.reflected_v.max() <= self._least_v:
            return True
        allowed_v = block.forward_v * self._slope
        allowed_v += self._offset_v
        np.maximum(allowed_v, self._least_v, out=allowed_v)
        return bool((block.reflected_v <= allowed_v).all())
