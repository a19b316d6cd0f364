"""CUSUM and EWMA charts one number at a time, and their average run lengths: to judge by.

Nothing here is shared with the package. A one-sided CUSUM of numbers z with deviation 1 is

    S(0) = head start,  S(i) = max(0, S(i-1) + z(i) - k),  alarm when S(i) > h

(Page, 1954). It is the quickest possible detector of a step of 2k for its rate of false alarms
(Moustakides, 1986). Average run lengths solve Page's integral equation, here by Gauss-Legendre
quadrature (Nystroem); the charts' published tables are met to the last printed figure.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

Floats = NDArray[np.float64]

NODES = 120
MOST_LIMIT = 40.0  # times 1/k


def cusum(
    numbers: Iterable[float], target: float, k: float, head_start: float = 0.0
) -> Iterator[tuple[float, float]]:
    """Upper and lower sum after each number."""
    high = low = head_start
    for number in numbers:
        high = max(0.0, high + number - target - k)
        low = max(0.0, low + target - number - k)
        yield high, low


def first_alarm(numbers: Iterable[float], k: float, h: float) -> int | None:
    """Index of the first number at which a two-sided CUSUM about 0 exceeds `h`, or None."""
    for index, sums in enumerate(cusum(numbers, 0.0, k)):
        if max(sums) > h:
            return index
    return None


def ewma(numbers: Iterable[float], start: float, weight: float) -> Iterator[float]:
    """The weighted mean after each number."""
    mean = start
    for number in numbers:
        mean += weight * (number - mean)
        yield mean


def ewma_limit(sd: float, weight: float, width: float, index: int | None = None) -> float:
    """Distance of the limits from the target after `index` numbers; None: for ever."""
    grown = 1.0 if index is None else 1 - (1 - weight) ** (2 * index)
    return width * sd * math.sqrt(weight / (2 - weight) * grown)


def siegmund(k: float, h: float, shift: float) -> float:
    """Siegmund's approximation of the average run length, one-sided."""
    drift, b = shift - k, h + 1.166
    if abs(drift) < 1e-9:
        return b * b
    return (math.exp(-2 * drift * b) + 2 * drift * b - 1) / (2 * drift**2)


def either(upper: float, lower: float) -> float:
    """Average run length of two charts that run side by side and never alarm both."""
    return 1 / (1 / upper + 1 / lower)


def _density(x: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi))


def one_sided_arl(k: float, h: float, shift: float, head_start: float = 0.0) -> float:
    """Average run length of a one-sided CUSUM.

    L(u) = 1 + L(0) Phi(k - u - shift) + int_0^h L(x) phi(x + k - u - shift) dx
    """
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    nodes, weights = 0.5 * h * (nodes + 1), 0.5 * h * weights
    starts = np.concatenate([[0.0], nodes])

    def row(u: Floats) -> Floats:
        at_zero = ndtr(k - u - shift)
        between = _density(nodes[None, :] + k - u[:, None] - shift) * weights
        return np.concatenate([at_zero[:, None], between], axis=1)

    lengths = np.linalg.solve(np.eye(NODES + 1) - row(starts), np.ones(NODES + 1))
    return float(1 + (row(np.array([head_start])) @ lengths)[0])


def two_sided_arl(k: float, h: float, shift: float, head_start: float = 0.0) -> float:
    """Average run length of a two-sided CUSUM, both sums with the head start (Lucas, Crosier)."""
    up, down = one_sided_arl(k, h, shift), one_sided_arl(k, h, -shift)
    if not head_start:
        return either(up, down)
    up_s = one_sided_arl(k, h, shift, head_start)
    down_s = one_sided_arl(k, h, -shift, head_start)
    return (up_s * down + up * down_s - up * down) / (up + down)


def ewma_arl(weight: float, width: float, shift: float) -> float:
    """Average run length of a two-sided EWMA with limits of `width` steady deviations."""
    limit = ewma_limit(1.0, weight, width)
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    nodes, weights = limit * nodes, limit * weights

    def row(u: Floats) -> Floats:
        step = (nodes[None, :] - (1 - weight) * u[:, None]) / weight - shift
        return np.asarray(_density(step) * weights / weight)

    lengths = np.linalg.solve(np.eye(NODES) - row(nodes), np.ones(NODES))
    return float(1 + (row(np.zeros(1)) @ lengths)[0])


def limit(k: float, in_control: float) -> float:
    """`h` at which a two-sided CUSUM has this average run length when nothing changes."""
    wanted = math.log(in_control)

    def excess(h: float) -> float:
        return math.log(one_sided_arl(k, h, 0.0) / 2) - wanted

    # Siegmund's approximation is within a few percent of the limit.
    near = float(brentq(lambda h: math.log(siegmund(k, h, 0.0) / 2) - wanted, 0.0, MOST_LIMIT / k))
    return float(brentq(excess, max(near - 1.0, 0.0), near + 1.0, xtol=1e-6))
