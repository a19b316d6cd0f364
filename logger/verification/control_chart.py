"""Control charts of verifications: Shewhart's limits, and an exponentially weighted average.

NIST/SEMATECH e-Handbook of Statistical Methods, sections 6.3.1 and 6.3.2.4: limits at three
standard deviations; EWMA_i = 0.3 y_i + 0.7 EWMA_(i-1), with a variance of lambda / (2 - lambda)
(1 - (1 - lambda)^(2 i)) times that of a reading, its limits at three standard deviations again. The
target is that of the prediction, weighted with the first readings; its uncertainty is part of all
limits. Pure functions over arrays (n,).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from logger.blocks import Bools, Floats

LAMBDA, WIDTH = 0.3, 3.0
PHASE_ONE = 3  # readings that may set the target


@dataclass(frozen=True)
class ControlChart:
    """Readings and limits, dB, (n,) each; `target` with its standard uncertainty."""

    value: Floats
    u: Floats
    target: float
    target_u: float
    ewma: Floats
    reach: Floats  # of a reading from the target, at most, if nothing changed
    ewma_reach: Floats  # of the average likewise

    @property
    def is_out(self) -> Bools:
        """Mask of readings at which either chart is out of control."""
        return np.asarray(
            (np.abs(self.value - self.target) > self.reach)
            | (np.abs(self.ewma - self.target) > self.ewma_reach)
        )


def control_chart(
    value: Floats, u: Floats, expected_u: float | None, wander_u: float = 0.0
) -> ControlChart:
    """Return the chart of readings in order of time, n >= 1.

    u           standard deviation of each from one time to the next, (n,)
    expected_u  standard uncertainty of the prediction, which is 0; None without one
    wander_u    standard deviation of a slow change without a cause, which no average reduces
    """
    target, target_u = _target(value, u, expected_u)
    target_u = math.hypot(target_u, wander_u)
    reach = WIDTH * np.hypot(u, target_u)
    ewma, variance = np.empty_like(value), np.empty_like(value)
    average, spread2 = target, 0.0
    for place, (reading, sd) in enumerate(zip(value.tolist(), u.tolist(), strict=True)):
        average += LAMBDA * (reading - average)
        spread2 = (LAMBDA * sd) ** 2 + (1 - LAMBDA) ** 2 * spread2
        ewma[place], variance[place] = average, spread2
    return ControlChart(
        value, u, target, target_u, ewma, reach, WIDTH * np.sqrt(variance + target_u**2)
    )


def _target(value: Floats, u: Floats, expected_u: float | None) -> tuple[float, float]:
    """Return the target: the prediction and the first readings that agree with it."""
    weight = 0.0 if expected_u is None else 1 / max(expected_u, 1e-6) ** 2
    target = 0.0
    for reading, sd in zip(value[:PHASE_ONE].tolist(), u[:PHASE_ONE].tolist(), strict=True):
        if weight and abs(reading - target) > WIDTH * math.hypot(sd, 1 / math.sqrt(weight)):
            break
        target = (weight * target + reading / sd**2) / (weight + 1 / sd**2)
        weight += 1 / sd**2
    return target, 1 / math.sqrt(weight)
