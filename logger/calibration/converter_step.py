"""Step of a converter, from its readings. Pure functions.

A bridge may print more decimals than its converter has steps: 12 bits over 5 V are steps of 1.22
mV, whatever is printed. Neighbouring readings that occur differ by whole steps, so the step is the
greatest common divisor of these differences, up to the rounding of the printed values.
"""

from __future__ import annotations

import numpy as np

from logger.blocks import Floats

LEAST_DIFFERENCES = 3
DIVISORS = (1, 2, 3)  # the smallest difference may be several steps
MOST_STEPS = 4  # longer differences are ignored, since the rounding of the printed values adds up
AGREEING = 0.95  # share of the differences that must be whole steps
FEWEST_STEPS, USUAL_RANGE_V = 127, 5.0  # the coarsest converter: 7 bits over 5 V or more


def common_step(volts: Floats, resolution_v: float) -> float:
    """Return the greatest common step of readings (n,) in volts, 0 if it cannot be found.

    `resolution_v` is that of the printed values, 0 if the readings are exact. A few steady levels,
    such as those of a carrier without noise, do not show the step: one coarser than that of any
    converter is rejected.
    """
    most_v = max(USUAL_RANGE_V, float(volts.max(initial=0.0))) / FEWEST_STEPS * 1.05
    rounding_v = max(resolution_v, 1e-9 * float(np.abs(volts).max(initial=0.0)))
    differences = np.diff(np.unique(volts))
    differences = differences[differences > 0.5 * rounding_v]
    if len(differences) < LEAST_DIFFERENCES:
        return 0.0
    for divisor in DIVISORS:
        step_v = float(differences.min()) / divisor
        if step_v < 1.5 * rounding_v:
            return 0.0
        for _ in range(2):
            steps = np.rint(differences / step_v)
            short = steps <= MOST_STEPS
            step_v = float(differences[short].sum() / steps[short].sum())
        off_v = np.abs(differences - steps * step_v)[short]
        if short.sum() >= LEAST_DIFFERENCES and np.mean(off_v <= 1.01 * rounding_v) >= AGREEING:
            return step_v if step_v <= most_v else 0.0
    return 0.0
