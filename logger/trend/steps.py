"""Unannounced lasting changes, and the interval of their dates.

The search repeatedly adds the day whose step explains most of the residual, with season, slope and
correlation fitted again after each; then steps that explain too little are removed. A step explains
twice the gain in log likelihood of the whitened regression, so that departures of a few days are
not mistaken for a step. A jump that decays, such as that of a wet plug, is an innovation of one
day. So a step must also explain enough without its first day (a level shift as opposed to an
innovational outlier, C. Chen and L.-M. Liu, Journal of the American Statistical Association 88
(1993) 284).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logger.daily import FloatArray, IntArray
from logger.trend.design import step_columns
from logger.trend.regression import RegressionFit, fit, least_squares

MOST = 16  # unannounced steps
CANDIDATE = 12.0
PENALTY = 20.0
LASTING = 12.0  # least that it must explain without its first day
LEAST_DAYS = 5  # with readings needed on either side, up to the next step
LEAST_SIZE = 0.03  # SWR; smaller steps would be due to weather
CERTAIN = 0.95


def gains(day: IntArray, regression: RegressionFit) -> FloatArray:
    """Return what a step on each day with readings would explain beyond `regression`, (n,).

    The whitened column of a step at row c is s at c and a at the rows after it, so that its
    products are sums over the rows that follow; no array of size n x n is needed.
    """
    white = regression.whitening
    start = white.scale * white.weight
    later_factor = start * (1 - white.keep)
    fixed_columns = np.column_stack([regression.basis, regression.fresh])
    tail = np.cumsum((later_factor[:, None] * fixed_columns)[::-1], axis=0)[::-1]
    tail = np.concatenate([tail[1:], np.zeros_like(tail[:1])])
    products = start[:, None] * fixed_columns + tail
    square = np.cumsum((later_factor**2)[::-1])[::-1]
    square = start**2 + np.concatenate([square[1:], [0.0]])
    free = square - np.sum(products[:, :-1] ** 2, axis=1)
    usable = free > 1e-6 * square
    return np.where(usable, products[:, -1] ** 2 / np.where(usable, free, 1.0), 0.0)


def search(
    day: IntArray, value: FloatArray, columns: FloatArray, announced: Sequence[int]
) -> list[int]:
    """Return the first days of unannounced steps, ascending; `announced` ones are already given.

    day, value  (n,), ascending
    columns     (n, k): everything but steps
    """
    steps: list[int] = []
    room = len(day) - columns.shape[1] - len(announced) - 2 * LEAST_DAYS
    while len(steps) < min(MOST, room):
        regression = _fit(day, value, columns, [*announced, *steps])
        gain = gains(day, regression)
        gain[~_has_room(day, [*announced, *steps])] = 0.0
        best = int(np.argmax(gain))
        if gain[best] < CANDIDATE:
            break
        steps.append(int(day[best]))
    while steps:
        steps = _settle(day, value, columns, announced, steps)
        regression = _fit(day, value, columns, [*announced, *steps])
        first = columns.shape[1] + len(announced)
        size = regression.estimate[first:]
        explains = (size / np.maximum(regression.deviation[first:], 1e-12)) ** 2
        explains[np.abs(size) < LEAST_SIZE] = 0.0
        lasts = _lasting(day, value, columns, [*announced, *steps], regression)[first:]
        kept = np.minimum(explains / PENALTY, lasts / LASTING)
        worst = int(np.argmin(kept))
        if kept[worst] >= 1.0:
            break
        del steps[worst]
    return sorted(steps)


def _lasting(
    day: IntArray,
    value: FloatArray,
    columns: FloatArray,
    steps: Sequence[int],
    regression: RegressionFit,
) -> FloatArray:
    """Return what each column explains without the first days of all steps, (k,).

    0 where the estimate is then of the other sign. `regression` is that of the steps.
    """
    weight = np.where(np.isin(day, steps), 0.0, regression.whitening.weight)
    design = np.column_stack([columns, step_columns(day, steps)])
    rest = least_squares(day, value, design, regression.correlation, weight)
    explains = (rest.estimate / np.maximum(rest.deviation, 1e-12)) ** 2
    return np.where(rest.estimate * regression.estimate > 0, explains, 0.0)


def certainty(
    day: IntArray, value: FloatArray, columns: FloatArray, fixed: Sequence[int], first: int
) -> tuple[int, int]:
    """Return the 95 % interval of the day of a step, by likelihood, with other steps fixed."""
    regression = _fit(day, value, columns, fixed)
    gain = gains(day, regression)
    begin, end = _between(day, fixed, first)
    gain[:begin] = gain[end:] = -np.inf
    likely = np.exp((gain - gain[begin:end].max()) / 2)
    order = np.argsort(-likely)
    enough = np.cumsum(likely[order]) >= CERTAIN * likely.sum()
    chosen = order[: int(np.argmax(enough)) + 1]
    low, high = int(chosen.min()), int(chosen.max())
    # It may have happened on any day since the reading before.
    earliest = int(day[low - 1]) + 1 if low > 0 else int(day[low])
    return min(earliest, first), max(int(day[high]), first)


def _settle(
    day: IntArray,
    value: FloatArray,
    columns: FloatArray,
    announced: Sequence[int],
    steps: list[int],
) -> list[int]:
    """Move each step to where it explains most, with the others fixed."""
    settled = list(steps)
    for index in range(len(settled)):
        fixed = [*announced, *settled[:index], *settled[index + 1 :]]
        gain = gains(day, _fit(day, value, columns, fixed))
        gain[~_has_room(day, fixed)] = -1.0
        begin, end = _between(day, fixed, settled[index])
        if end > begin:
            settled[index] = int(day[begin + int(np.argmax(gain[begin:end]))])
    return settled


def _between(day: IntArray, fixed: Sequence[int], first: int) -> tuple[int, int]:
    """Return the rows between the neighbours of a step."""
    previous = max((other for other in fixed if other < first), default=int(day[0]))
    following = min((other for other in fixed if other > first), default=int(day[-1]) + 1)
    begin, end = np.searchsorted(day, [previous + 1, following])
    return int(begin), int(end)


def _has_room(day: IntArray, steps: Sequence[int]) -> np.ndarray:
    """Return a mask of rows at least LEAST_DAYS readings away from any step and either end."""
    rows = np.arange(len(day))
    edges = np.array([0, *np.searchsorted(day, sorted(steps)), len(day)])
    return np.asarray(np.abs(rows[:, None] - edges[None, :]).min(axis=1) >= LEAST_DAYS)


def _fit(
    day: IntArray, value: FloatArray, columns: FloatArray, steps: Sequence[int]
) -> RegressionFit:
    return fit(day, value, np.column_stack([columns, step_columns(day, steps)]))
