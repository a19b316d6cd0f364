"""Bank of CUSUM charts: detects a change of unknown size nearly as fast as one of known size.

Each chart sums standardised values z less its reference value k, for either side, and never goes
below zero: S = max(0, S + z - k) (Page 1954). It is the fastest for a shift of 2 k standard
deviations; the four of KS share the false alarms evenly. The limit of each follows from the run
length between false alarms by Siegmund's approximation (1985; from memory, compared with published
tables in the tests): ARL = (exp(2 k b) - 2 k b - 1) / (2 k^2), b = h + 1.166. An added term in k^2
brings it within 0.02 of the integral equation for k up to 2.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from logger.blocks import Floats, Times

KS = (0.25, 0.5, 1.0, 2.0)
OVERSHOOT, CORRECTION = 1.166, 0.026
_K = np.repeat(KS, 2)[:, None]
_SIGN = np.tile([1.0, -1.0], len(KS))[:, None]


class CusumCrossing(NamedTuple):
    """A chart that exceeded its limit.

    at     index of the value at which it did
    since  index of the first value in the sum, negative if that was before this call
    sign   direction of the change
    """

    at: int
    since: int
    sign: float


def limit(k: float, run_length: float) -> float:
    """Return the limit of a one-sided chart with `run_length` values between false alarms."""
    exponent = 1.0
    for _ in range(50):
        exponent = math.log(2 * k * k * max(run_length, 1.0) + 1 + exponent)
    return max(exponent / (2 * k) - OVERSHOOT + CORRECTION * k * k, 0.1)


class Bank:
    """Charts of KS for both sides.

    run_length  values between false alarms of all charts together
    """

    def __init__(self, run_length: float) -> None:
        limits = [limit(k, 2 * len(KS) * run_length) for k in KS]
        self._limits = np.repeat(limits, 2)[:, None]
        self.least = min(k + h for k, h in zip(KS, limits, strict=True))  # sufficient alone
        self._sums = np.zeros(2 * len(KS))
        self._ages = np.zeros(2 * len(KS), dtype=np.int64)

    def restart(self) -> None:
        """Reset all charts."""
        self._sums[:] = 0.0
        self._ages[:] = 0

    def update(self, values: Floats) -> CusumCrossing | None:
        """Process standardised values (n,); return the first crossing, at which the charts stop."""
        if not len(values):
            return None
        steps = np.empty((len(_K), 1 + len(values)))
        steps[:, 0] = self._sums
        np.subtract(_SIGN * values, _K, out=steps[:, 1:])
        total = np.cumsum(steps, axis=1, out=steps)[:, 1:]
        sums = total - np.minimum(np.minimum.accumulate(total, axis=1), 0.0)
        crossed = sums > self._limits
        if not crossed.any():
            self._sums, self._ages = sums[:, -1].copy(), self._ages_after(sums)
            return None
        index = int(np.argmax(crossed.any(axis=0)))
        chart = int(np.argmax(sums[:, index] - self._limits[:, 0]))
        age = int(self._ages_after(sums[:, : index + 1])[chart])
        return CusumCrossing(index, index + 1 - age, float(_SIGN[chart, 0]))

    def _ages_after(self, sums: Floats) -> Times:
        """Return the number of values in each sum after the last of these, (c, n) -> (c,)."""
        is_zero = sums[:, ::-1] == 0
        ages = np.where(is_zero.any(axis=1), is_zero.argmax(axis=1), self._ages + sums.shape[1])
        return np.asarray(ages)
