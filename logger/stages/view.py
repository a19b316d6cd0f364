"""Input of detection: a calibrated block with its keying, noise and limits of trust.

This module is responsible for limits that follow from the coupler and the noise. Input: a block,
its masks and the coupler. Output: thresholds and variances.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from logger.blocks import Bools, Floats, Noise, PowerBlock
from logger.calibration.coupler import Coupler
from logger.stages.keying import OwnPower

IMPOSSIBLE_MARGIN = 1.1
UNKNOWN_POWER = OwnPower()
LEAST_SHARE = 0.05  # of the calibrated reflected volts: with the key up, less is not a signal
CERTAINLY = 0.9  # the inverse of a law is approximate


def impossible_ratio(coupler: Coupler) -> float:
    """Return the ratio that `View.impossible_ratio` describes."""
    leak = max(coupler.worst_leak, 0.05)
    forward_leak = max(coupler.forward_leak, 0.05)
    return float(((1 + leak) / (1 - forward_leak)) ** 2 * IMPOSSIBLE_MARGIN)


def silent_readings(coupler: Coupler, quiet_w: float) -> tuple[float, float]:
    """Return the readings of both ports, volts, below which nobody transmits or is received.

    They read less than `quiet_w` at any frequency, and less than rules take for a signal.
    """
    content = coupler.content
    most_v = content.reflected.zero_v + LEAST_SHARE * content.valid.reflected_v[1]
    readings = []
    for port, law in ((content.forward, coupler.forward), (content.reflected, coupler.reflected)):
        if port.r_is_per_c:  # the law follows the temperature, which may come with the pairs
            return -math.inf, -math.inf
        most_db = max((db for _, db in port.coupling_by_khz), default=0.0)
        readings.append(float(law.volts(CERTAINLY * quiet_w / 10 ** (max(most_db, 0.0) / 10))))
    return readings[0], min(readings[1], most_v)


@dataclass(frozen=True, slots=True)
class View:
    """One calibrated block with its masks and limits.

    keyed    (n,) our key is down
    foreign  (n,) a foreign signal is received instead
    step_v   resolution of the readings, volts
    own      usual powers of our transmissions
    """

    block: PowerBlock
    keyed: Bools
    noise: Noise
    coupler: Coupler
    step_v: tuple[float, float]
    foreign: Bools
    own: OwnPower = UNKNOWN_POWER

    @property
    def floor_w(self) -> float:
        """Readable floor of one pair, watts."""
        return self.coupler.readable_floor_w(self.noise)

    @property
    def impossible_ratio(self) -> float:
        """Reflected over incident power that no passive load can cause.

        This is total reflection read through the worst phase of both leaks, with a margin.
        """
        return impossible_ratio(self.coupler)

    def reflected_variance(self, part: Bools) -> Floats:
        """Return the variance of one reflected reading for the pairs of `part`, watts squared."""
        slope = self.coupler.reflected.slope(self.block.reflected_v[part])
        return np.asarray((slope * self.noise.sd_v[1]) ** 2)

    def forward_variance(self, part: Bools) -> Floats:
        """Return the variance of one forward reading for the pairs of `part`, watts squared."""
        slope = self.coupler.forward.slope(self.block.forward_v[part])
        return np.asarray((slope * self.noise.sd_v[0]) ** 2)
