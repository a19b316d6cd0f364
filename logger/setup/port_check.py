"""The coupler's ports, from one key-down into a dummy load.

Input: readings unkeyed and keyed. Output: whether the port called forward receives the forward
wave. With a dummy load of SWR 1.5 or less the reflected port receives a fifth of the voltage at
most.
"""

from __future__ import annotations

import enum

from logger.calibration.steady import Quiet, SteadyReading

ALIKE = 0.6  # ratio of the weaker to the stronger reading above which they are alike


class PortOrder(enum.Enum):
    """Result of the key-down."""

    RIGHT = enum.auto()
    EXCHANGED = enum.auto()
    ALIKE = enum.auto()  # both ports receive about the same


def judge(quiet: Quiet, keyed: SteadyReading) -> PortOrder:
    """Compare how far both ports rose above their zero."""
    forward_v = keyed.forward.mean_v - quiet.zero_v[0]
    reflected_v = keyed.reflected.mean_v - quiet.zero_v[1]
    if min(forward_v, reflected_v) > ALIKE * max(forward_v, reflected_v):
        return PortOrder.ALIKE
    return PortOrder.RIGHT if forward_v > reflected_v else PortOrder.EXCHANGED
