"""Time of a change: the cut with the largest difference of all streams.

Streams are values at times with their usual scatter. For each stream a cut scores n_before n_after
/ n (mean_after - mean_before)^2 / scatter^2, a chi-square of one degree of freedom if nothing
changed; scores add, large ones as logarithms (`_bent`), so that no stream decides alone. The powers
that a person uses come in a few sizes, and are compared by their kernels instead (maximum mean
discrepancy), excursions by the likelihood ratio of their rates.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from logger.blocks import Floats, Times

LARGE = 100.0
FAR = 4.0  # scatters from the median at which values are clipped, so that no single one decides
POWER_WIDTH = 0.12  # of ln watts
KERNEL_ROWS = 600


class Stream(NamedTuple):
    """Times and values, each (n,), and the scatter of one value."""

    time_ns: Times
    value: Floats
    scatter: float


def successive(values: Floats) -> float:
    """Return the standard deviation from successive differences, insensitive to steps.

    0 for fewer than 3 values.
    """
    if len(values) < 3:
        return 0.0
    return float(1.4826 * np.median(np.abs(np.diff(values))) / math.sqrt(2))


def _bent(score: Floats) -> Floats:
    return np.asarray(LARGE * np.log1p(np.maximum(score, 0.0) / LARGE))


def cut_score(stream: Stream, cuts_ns: Times) -> Floats:
    """Return the score of each cut, (m,); 0 where a side is empty."""
    n = len(stream.value)
    before = np.searchsorted(stream.time_ns, cuts_ns)
    after = n - before
    scatter = max(stream.scatter, 1e-12)
    middle = float(np.median(stream.value)) if n else 0.0
    value = np.clip(stream.value, middle - FAR * scatter, middle + FAR * scatter)
    sums = np.concatenate([[0.0], np.cumsum(value)])
    weight = np.where((before > 0) & (after > 0), before * after / max(n, 1), 0.0)
    step = (sums[-1] - sums[before]) / np.maximum(after, 1) - sums[before] / np.maximum(before, 1)
    return _bent(weight * (step / scatter) ** 2)


def power_score(time_ns: Times, ln_watts: Floats, cuts_ns: Times) -> Floats:
    """Return the score of each cut for powers, (m,).

    It is about a chi-square of three degrees of freedom.
    """
    thin = slice(None, None, 1 + len(time_ns) // KERNEL_ROWS)
    time_ns, ln_watts = time_ns[thin], ln_watts[thin]
    n = len(time_ns)
    if n < 4:
        return np.zeros(len(cuts_ns))
    kernel = np.exp(-np.abs(ln_watts[:, None] - ln_watts[None, :]) / POWER_WIDTH)
    sums = np.zeros((n + 1, n + 1))
    sums[1:, 1:] = kernel.cumsum(axis=0).cumsum(axis=1)
    before = np.searchsorted(time_ns, cuts_ns)
    after = n - before
    inside = (before > 1) & (after > 1)
    b, a = np.maximum(before, 1), np.maximum(after, 1)
    own = sums[before, before]
    across = sums[before, n] - own
    other = sums[n, n] - own - 2 * across
    apart = own / b**2 + other / a**2 - 2 * across / (a * b)
    spread = max(1.0 - float(kernel.mean()), 0.05)
    return _bent(np.where(inside, 3 * a * b / n * apart / spread, 0.0))


def rate_score(time_ns: Times, exposure: Stream, cuts_ns: Times) -> Floats:
    """Return the score of each cut for events; `exposure` holds seconds on the air, (m,)."""
    sums = np.concatenate([[0.0], np.cumsum(exposure.value)])
    before_s = sums[np.searchsorted(exposure.time_ns, cuts_ns)]
    after_s = sums[-1] - before_s
    before = np.searchsorted(time_ns, cuts_ns).astype(np.float64)
    after = len(time_ns) - before
    total_s, total = max(float(sums[-1]), 1.0), float(len(time_ns))

    def part(count: Floats, seconds: Floats) -> Floats:
        expected = np.maximum(total * seconds / total_s, 1e-9)
        return np.asarray(count * np.log(np.maximum(count, 1e-9) / expected))

    with np.errstate(invalid="ignore"):
        score = 2 * (part(before, before_s) + part(after, after_s))
    return _bent(np.where((before_s > 0) & (after_s > 0), score, 0.0))


def candidates(times: Sequence[Times]) -> Times:
    """Return all times with data, except the first."""
    distinct = np.unique(
        np.concatenate([np.asarray(stream_times, dtype=np.int64) for stream_times in times])
    )
    return np.asarray(distinct[1:])
