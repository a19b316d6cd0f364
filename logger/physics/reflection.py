"""Reflection from incident and reflected power, with its uncertainty. Pure functions, arrays (n,).

Definitions (any text on transmission lines; conversion tables checked in the tests):

    rho = sqrt(Pr / Pf)      SWR = (1 + rho) / (1 - rho)
    return loss = -20 log10 rho

Uncertainty after JCGM 100:2008 (GUM). There are two intervals: one for the SWR itself (all
components of uncertainty) and one for detecting a change of the SWR (noise only).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from logger.blocks import Bools, Floats

HIGHEST_SWR = 999.0  # beyond this, and for reflection of 1 and more, the figure has no meaning
HIGHEST_RHO = (HIGHEST_SWR - 1) / (HIGHEST_SWR + 1)
COVERAGE = 1.96  # standard deviations of a 95 % interval
BLEND = 1.48  # see `blend`
LEAST_W = 1e-12  # replaces mean powers <= 0 where a logarithm is taken


def rho(forward_w: ArrayLike, reflected_w: ArrayLike) -> Floats:
    """Return the magnitude of the reflection coefficient, >= 0; reflected power < 0 counts as 0."""
    forward = np.asarray(forward_w, dtype=np.float64)
    reflected = np.maximum(np.asarray(reflected_w, dtype=np.float64), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(forward > 0, np.sqrt(reflected / forward), np.inf)


def swr(rho_: ArrayLike) -> Floats:
    """Return the SWR of a reflection coefficient, at most HIGHEST_SWR."""
    bounded = np.clip(rho_, 0.0, HIGHEST_RHO)
    return np.asarray((1 + bounded) / (1 - bounded))


def rho_of_swr(swr_: ArrayLike) -> Floats:
    """Return the reflection coefficient of an SWR >= 1."""
    ratio = np.asarray(swr_, dtype=np.float64)
    return (ratio - 1) / (ratio + 1)


def return_loss_db(rho_: ArrayLike) -> Floats:
    """Return the return loss in dB, infinite for a perfect match."""
    with np.errstate(divide="ignore"):
        return np.asarray(-20 * np.log10(np.asarray(rho_, dtype=np.float64)))


def rho_of_return_loss(return_loss: ArrayLike) -> Floats:
    """Return the reflection coefficient of a return loss in dB."""
    return np.asarray(10 ** (-np.asarray(return_loss, dtype=np.float64) / 20))


def rho_through_line(rho_: ArrayLike, loss_db: float) -> Floats:
    """Return the reflection at the near end of a line of one-way matched loss `loss_db`."""
    return np.asarray(np.asarray(rho_, dtype=np.float64) * 10 ** (-2 * loss_db / 20))


def blend(gaussian: Floats, bounded: Floats) -> Floats:
    """Return the half-width of the 95 % interval of a Gaussian error plus a leak of unknown phase.

    `gaussian` is the half-width of the Gaussian error alone, `bounded` the magnitude of the leak
    (the cosine of a uniform phase has an arcsine distribution, most of which lies near its ends).
    Fitted to the exact convolution, within 3 % everywhere (see the tests).
    """
    total = np.asarray(gaussian) ** BLEND + np.asarray(bounded) ** BLEND
    return np.asarray(total ** (1 / BLEND))


class Stray(NamedTuple):
    """Variances of the reflection from waves of unknown phase and unknown size.

    constant   of waves that do not depend on the load: a leak, harmonics
    returned   of waves in proportion to the squared reflection: the match of the test port
    """

    constant: float = 0.0
    returned: float = 0.0

    def variance(self, rho_: Floats) -> Floats:
        """Return the variance at reflection `rho_`, (n,) -> (n,)."""
        return np.asarray(self.constant + self.returned * np.minimum(rho_, 1.0) ** 4)


NO_STRAY = Stray()


class SwrEstimate(NamedTuple):
    """SWR with its bounds, each (n,), NaN where not readable."""

    swr: Floats
    low: Floats
    high: Floats
    noise_low: Floats
    noise_high: Floats
    readable: Bools


def estimate(
    forward_w: Floats,
    reflected_w: Floats,
    noise_variance: Floats,
    systematic_variance: Floats,
    leak: float,
    forward_leak: float,
    readable: Bools,
    stray: Stray = NO_STRAY,
) -> SwrEstimate:
    """Return the SWR with both 95 % intervals, from mean powers.

    forward_w, reflected_w  mean powers, watts
    noise_variance          variance of reflected/incident from noise
    systematic_variance     variance of ln(reflected/incident) from zero, fit and similar
    leak, forward_leak      directivity of the reflected and the forward port as magnitudes
    readable                False where the power is too low to state an SWR
    stray                   waves of unknown phase and size
    """
    safe_forward = np.where(readable, forward_w, 1.0)
    ratio = np.where(readable, reflected_w, 0.0) / safe_forward
    point = rho(safe_forward, np.where(readable, reflected_w, 0.0))

    def bounds(variance: Floats, leakage: Floats, stray: Stray) -> tuple[Floats, Floats]:
        spread = COVERAGE * np.sqrt(variance)
        stray_spread = COVERAGE * np.sqrt(stray.variance(point))
        down = np.hypot(point - np.sqrt(np.maximum(ratio - spread, 0.0)), stray_spread)
        up = np.hypot(np.sqrt(np.maximum(ratio + spread, 0.0)) - point, stray_spread)
        low = np.maximum(point - blend(down, leakage), 0.0)
        # Across the reflection, stray waves add to its square: they alone read as a reflection.
        low = np.sqrt(np.maximum(low**2 - stray.constant, 0.0))
        return low, np.asarray(point + blend(up, leakage))

    none = np.zeros_like(point)
    # The leak of the forward port multiplies its reading by 1 -+ forward_leak * rho.
    leakage = leak + forward_leak * np.minimum(point, 1.0) ** 2
    least = np.maximum(ratio, LEAST_W / safe_forward)
    low, high = bounds(noise_variance + systematic_variance * least**2, leakage, stray)
    noise_low, noise_high = bounds(np.asarray(noise_variance), none, NO_STRAY)
    swr_, low, high, noise_low, noise_high = (
        np.where(readable, swr(value), np.nan)
        for value in (point, low, high, noise_low, noise_high)
    )
    return SwrEstimate(swr_, low, high, noise_low, noise_high, readable)
