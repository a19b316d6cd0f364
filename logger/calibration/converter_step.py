"""Step of a converter, from its readings. Pure functions.

This module is responsible for finding the step that no driver or user states. Input: readings, or
bench points. Output: the step in volts, 0 if they do not show it.

A bridge may print more decimals than its converter has steps: 12 bits over 5 V are steps of 1.22
mV, whatever is printed. Neighbouring readings that occur differ by whole steps, so the step is the
greatest common divisor of these differences, up to the rounding of the printed values.
"""

from __future__ import annotations

import numpy as np

from logger.blocks import Floats
from logger.quantiles import distinct

LEAST_DIFFERENCES = 3
DIVISORS = (1, 2, 3)  # the smallest difference may be several steps
MOST_STEPS = 4  # longer differences are ignored, since the rounding of the printed values adds up
AGREEING = 0.95  # share of the differences that must be whole steps
OFF = 1.01  # largest distance from whole steps, in units of the rounding
MOST_CHANCE = 1e-3  # highest probability that unrelated differences agree as well
FEWEST_POINTS = 8
POINT_DIVISORS = range(1, 9)
LEAST_POINT_STEP_V = 2e-4
ON_GRID = 0.1  # distance in steps from the grid that rounding of printed values may cause
FEWEST_STEPS, USUAL_RANGE_V = 127, 5.0  # the coarsest converter: 7 bits over 5 V or more


def common_step(volts: Floats, resolution_v: float) -> float:
    """Return the greatest common step of readings (n,) in volts, 0 if it cannot be found.

    `resolution_v` is that of the printed values, 0 if the readings are exact. A few steady levels,
    such as those of a carrier without noise, do not show the step: one that they may share by
    chance, or that is coarser than that of any converter, is rejected.
    """
    most_v = max(USUAL_RANGE_V, float(volts.max(initial=0.0))) / FEWEST_STEPS * 1.05
    rounding_v = max(resolution_v, 1e-9 * float(np.abs(volts).max(initial=0.0)))
    differences = np.diff(np.sort(volts))
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
        agrees = np.abs(differences - steps * step_v)[short] <= OFF * rounding_v
        if len(agrees) >= LEAST_DIFFERENCES and agrees.mean() >= AGREEING:
            # One difference defines the step; each other agrees by chance with this probability.
            share = min(2 * OFF * rounding_v / step_v, 1.0)
            chance = len(DIVISORS) * share ** (int(agrees.sum()) - 1)
            return step_v if step_v <= most_v and chance <= MOST_CHANCE else 0.0
    return 0.0


def step_of_points(volts: Floats) -> float:
    """Return the step of the converter if bench points (n, 2) lie on its grid, else 0."""
    values = distinct(volts)
    if len(values) < FEWEST_POINTS:
        return 0.0
    differences = np.diff(values)
    least_v = float(differences[differences > 1e-5].min(initial=np.inf))
    for divisor in POINT_DIVISORS:
        step_v = least_v / divisor
        if step_v < LEAST_POINT_STEP_V:
            return 0.0
        # The largest readings determine the step most precisely.
        for value in values[values > 0].tolist():
            step_v = value / max(1, round(value / step_v))
        if is_on_grid(values, step_v):
            return step_v
    return 0.0


def is_on_grid(volts: Floats, step_v: float) -> bool:
    """True if all readings are near whole multiples of the step."""
    return bool(np.all(np.abs(volts / step_v - np.round(volts / step_v)) < ON_GRID))
