"""Unannounced lasting changes, and the interval of their dates.

The search repeatedly adds the day whose step explains most of the residual, with season, slope and
correlation fitted again after each; then steps that explain too little are removed. A step explains
twice the gain in log likelihood of the whitened regression, so that departures of a few days are
not mistaken for a step.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logger.daily import FloatArray, IntArray
from logger.trend.design import step_columns
from logger.trend.regression import RegressionFit, fit

MOST = 8  # unannounced steps
CANDIDATE = 12.0
PENALTY = 20.0
LEAST_DAYS = 5  # with readings needed on either side, up to the next step
LEAST_SIZE = 0.03  # SWR; smaller steps would be due to weather
CERTAIN = 0.95


def gains(day: IntArray, fitted: RegressionFit) -> FloatArray:
    """Return what a step on each day with readings would explain beyond `fitted`, (n,).

    The whitened column of a step at row c is s at c and a at the rows after it, so that its
    products are sums over the rows that follow; no array of size n x n is needed.
    """
    white = fitted.whitening
    start = white.scale * white.weight
    later = start * (1 - white.keep)
    follows = np.column_stack([fitted.basis, fitted.fresh])
    after = np.cumsum((later[:, None] * follows)[::-1], axis=0)[::-1]
    after = np.concatenate([after[1:], np.zeros_like(after[:1])])
    products = start[:, None] * follows + after
    square = np.cumsum((later**2)[::-1])[::-1]
    square = start**2 + np.concatenate([square[1:], [0.0]])
    free = square - np.sum(products[:, :-1] ** 2, axis=1)
    usable = free > 1e-6 * square
    return np.where(usable, products[:, -1] ** 2 / np.where(usable, free, 1.0), 0.0)


def search(
    day: IntArray, value: FloatArray, columns: FloatArray, known: Sequence[int]
) -> list[int]:
    """Return the first days of unannounced steps, ascending; `known` ones are already given.

    day, value  (n,), ascending
    columns     (n, k): everything but steps
    """
    found: list[int] = []
    while (
        len(found) < MOST and len(day) > columns.shape[1] + len(known) + len(found) + 2 * LEAST_DAYS
    ):
        fitted = _fit(day, value, columns, [*known, *found])
        gain = gains(day, fitted)
        gain[~_roomy(day, [*known, *found])] = 0.0
        best = int(np.argmax(gain))
        if gain[best] < CANDIDATE:
            break
        found.append(int(day[best]))
    while found:
        found = _settled(day, value, columns, known, found)
        fitted = _fit(day, value, columns, [*known, *found])
        at = columns.shape[1] + len(known)
        size = fitted.estimate[at:]
        explains = (size / np.maximum(fitted.deviation[at:], 1e-12)) ** 2
        explains[np.abs(size) < LEAST_SIZE] = 0.0
        worst = int(np.argmin(explains))
        if explains[worst] >= PENALTY:
            break
        del found[worst]
    return sorted(found)


def certainty(
    day: IntArray, value: FloatArray, columns: FloatArray, others: Sequence[int], first: int
) -> tuple[int, int]:
    """Return the 95 % interval of the day of a step, by likelihood, with other steps fixed."""
    fitted = _fit(day, value, columns, others)
    gain = gains(day, fitted)
    begin, end = _between(day, others, first)
    gain[:begin] = gain[end:] = -np.inf
    likely = np.exp((gain - gain[begin:end].max()) / 2)
    order = np.argsort(-likely)
    enough = np.cumsum(likely[order]) >= CERTAIN * likely.sum()
    chosen = order[: int(np.argmax(enough)) + 1]
    low, high = int(chosen.min()), int(chosen.max())
    # It may have happened on any day since the reading before.
    earliest = int(day[low - 1]) + 1 if low > 0 else int(day[low])
    return min(earliest, first), max(int(day[high]), first)


def _settled(
    day: IntArray, value: FloatArray, columns: FloatArray, known: Sequence[int], found: list[int]
) -> list[int]:
    """Move each step to where it explains most, with the others fixed."""
    moved = list(found)
    for at in range(len(moved)):
        others = [*known, *moved[:at], *moved[at + 1 :]]
        gain = gains(day, _fit(day, value, columns, others))
        gain[~_roomy(day, others)] = -1.0
        begin, end = _between(day, others, moved[at])
        if end > begin:
            moved[at] = int(day[begin + int(np.argmax(gain[begin:end]))])
    return moved


def _between(day: IntArray, others: Sequence[int], first: int) -> tuple[int, int]:
    """Return the rows between the neighbours of a step."""
    before = max((each for each in others if each < first), default=int(day[0]))
    after = min((each for each in others if each > first), default=int(day[-1]) + 1)
    begin, end = np.searchsorted(day, [before + 1, after])
    return int(begin), int(end)


def _roomy(day: IntArray, steps: Sequence[int]) -> np.ndarray:
    """Return a mask of rows at least LEAST_DAYS readings away from any step and either end."""
    rows = np.arange(len(day))
    edges = np.array([0, *np.searchsorted(day, sorted(steps)), len(day)])
    return np.asarray(np.abs(rows[:, None] - edges[None, :]).min(axis=1) >= LEAST_DAYS)


def _fit(
    day: IntArray, value: FloatArray, columns: FloatArray, steps: Sequence[int]
) -> RegressionFit:
    return fit(day, value, np.column_stack([columns, step_columns(day, steps)]))
