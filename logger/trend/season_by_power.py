"""Season of the detectors: the part of a channel's season that differs between powers.

A changed load, and so an antenna's season, changes the reflection alike at all powers. Diode
detectors change with the shack's temperature most at low power and hardly at high power. So the
logarithm of the reflection at low power less that at high power, month by month, has a season only
if the detectors have one.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import fdtrc

from logger.blocks import Floats, Times
from logger.physics.reflection import rho_of_swr
from logger.trend.design import SEASON_SPAN, YEAR
from logger.utc import DAY_NS

BIN_DAYS = 30
LEAST_BINS = 12  # with both powers
LEAST_IN_BIN = 3  # transmissions at each power
APART = 2.5  # least factor between the two powers
CLAIM = 0.002  # probability of such a season by chance


class PowerSeason(NamedTuple):
    """Half of peak to peak by which the season at low power exceeds that at high power, SWR."""

    amplitude: float
    low_w: float
    high_w: float

    def describe(self) -> str:
        """Return it as a sentence."""
        return (
            f"Season at {self.low_w:.2g} W larger by ±{self.amplitude:.2f} than at"
            f" {self.high_w:.2g} W: that part is the temperature of the detectors, not the antenna."
        )


def season_by_power(time_ns: Times, watts: Floats, swr: Floats) -> PowerSeason | None:
    """Return the season of the detectors from transmissions (n,); None if there is none.

    The transmissions are in order of time. None also without a year at two powers.
    """
    good = np.isfinite(swr) & (swr > 1) & (watts > 0)
    day, ln_w = time_ns[good] / DAY_NS, np.log(watts[good])
    if len(day) < 2 * LEAST_BINS * LEAST_IN_BIN or day[-1] - day[0] < SEASON_SPAN:
        return None
    is_low = ln_w < np.quantile(ln_w, (0.1, 0.9)).mean()
    middle = [float(np.median(ln_w[mask])) if mask.any() else 0.0 for mask in (is_low, ~is_low)]
    if middle[1] - middle[0] < np.log(APART):
        return None
    ln_rho = np.log(rho_of_swr(swr[good]))
    bins, place = np.unique((day / BIN_DAYS).astype(np.int64), return_inverse=True)
    centre, apart = [], []
    for number in range(len(bins)):
        own = place == number
        sides = [ln_rho[own & mask] for mask in (is_low, ~is_low)]
        if min(map(len, sides)) >= LEAST_IN_BIN:
            centre.append(float(day[own].mean()))
            apart.append(float(np.median(sides[0]) - np.median(sides[1])))
    if len(apart) < LEAST_BINS or centre[-1] - centre[0] < SEASON_SPAN - 2 * BIN_DAYS:
        return None
    amplitude = _wave(np.array(centre), np.array(apart))
    if amplitude is None:
        return None
    level = float(np.median(swr[good]))
    return PowerSeason(amplitude * (level**2 - 1) / 2, *map(float, np.exp(middle)))


def _wave(day: Floats, value: Floats) -> float | None:
    """Return the amplitude of a yearly wave beside a straight line, None if not significant."""
    angle = 2 * np.pi * day / YEAR
    line = np.column_stack([np.ones(len(day)), (day - day.mean()) / YEAR])
    waves = np.column_stack([line, np.cos(angle), np.sin(angle)])

    def left(columns: Floats) -> tuple[float, Floats]:
        estimate, *_ = np.linalg.lstsq(columns, value, rcond=None)
        return float(((value - columns @ estimate) ** 2).sum()), np.asarray(estimate)

    (without, _), (rest, estimate) = left(line), left(waves)
    freedom = len(day) - waves.shape[1]
    ratio = (without - rest) / 2 / max(rest / freedom, 1e-12)
    if fdtrc(2, freedom, ratio) > CLAIM:
        return None
    return float(np.hypot(*estimate[2:]))
