"""Effect of the shack's temperature on readings, and the changes that it explains.

Saturation current and thermal voltage of a diode grow with temperature, which changes a small
reading and hardly a large one, so the reflected port drifts and the forward port does not. Input:
transmissions and their calibration, then the changes of rho at each channel and power. Output: the
derivative of rho by the temperature, and the likelihood of one temperature for all changes against
a changed load, which at one channel changes rho alike at all powers.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from logger.blocks import Floats, Times
from logger.calibration.coupler import Coupler
from logger.calibration.detector import KELVIN, ROOM_C, DetectorLaw, squared_peak_v
from logger.calibration.file import Port
from logger.calibration.problem import R_IS_PER_C
from logger.trend.design import YEAR
from logger.trend.instrument import DB_PER_LN, WANDER_DB

STEP_C = 5.0
LEAST_W = 1e-6  # watts, below which the derivative is that of the square law
CLASS_LN = 0.35  # gap of ln watts that separates two powers in use

SHACK_SD_C, MOST_C = 8.0, 15.0  # change of the mean temperature: prior, and largest
WARMER_C = np.linspace(-MOST_C, MOST_C, 121)
MODEL_SHARE = 0.25  # relative uncertainty of an effect: parts of the law, and of the days' weather
LOAD_SD = 0.06  # prior of a change of rho by line or antenna, and the part
ONE_CHANNEL = 0.2  # of its variance that is a channel's own
UNEVEN_SD = 2.0  # standard deviations by which effects at two powers differ visibly
UNEVEN_SHARE = 0.15  # by which a changed load may appear to differ between powers


class ThermalFit(NamedTuple):
    """Best common change of temperature, and ln of its likelihood ratio over a changed load.

    `is_uneven` is True if that temperature changes one channel visibly more at one power than at
    another. `balance_db` is the drift of the coupler's balance where that explains more.
    """

    warmer_c: float
    lift: float
    is_uneven: bool
    balance_db: float | None = None


def ln_rho_per_c(
    coupler: Coupler, forward_w: Floats, rho: Floats, *, is_corrected: bool = False
) -> Floats:
    """Return d ln rho / d temperature of the reading at a constant load, (n,) -> (n,).

    It is 0 for a port whose law has a temperature coefficient if the pairs had a temperature
    (`is_corrected`). A coefficient that the bench did not determine is the prior of the fit.
    """
    reflected_w = forward_w * rho**2
    return np.asarray(
        (
            _ln_watts_per_c(coupler, "reflected", reflected_w, is_corrected)
            - _ln_watts_per_c(coupler, "forward", forward_w, is_corrected)
        )
        / 2
    )


def _ln_watts_per_c(coupler: Coupler, side: str, watts: Floats, is_corrected: bool) -> Floats:
    content = coupler.content
    port: Port = getattr(content, side)
    law: DetectorLaw = getattr(coupler, side)
    if is_corrected and port.r_is_per_c and content.temperature_c is not None:
        return np.zeros_like(watts)
    bench_c = ROOM_C if content.temperature_c is None else content.temperature_c
    per_c = port.r_is_per_c or R_IS_PER_C[0]
    volts = law.volts(np.maximum(watts, LEAST_W)) - law.zero_v
    # To the first order, a reading changes as the watts of a given voltage do, the other way.
    colder, warmer = (
        squared_peak_v(
            volts,
            port.n_vt_v * (1 + step_c / (bench_c + KELVIN)),
            port.r_is_v * math.exp(per_c * step_c),
        )
        for step_c in (-STEP_C, STEP_C)
    )
    return np.asarray(np.log(colder / warmer) / (2 * STEP_C))


def power_classes(watts: Floats) -> Times:
    """Return the number of each transmission's power among those in use, (n,) -> (n,)."""
    ln = np.log(np.maximum(watts, LEAST_W))
    order = np.argsort(ln)
    classes = np.zeros(len(ln), dtype=np.int64)
    classes[order[1:]] = np.cumsum(np.diff(ln[order]) > CLASS_LN)
    return classes


def fit_temperature(
    before: Floats,
    change: Floats,
    sd: Floats,
    per_c: Floats,
    channel: Times,
    days: float = 0.0,
) -> ThermalFit:
    """Compare changes of rho at several channels and powers with one change of temperature.

    All are (n,): rho before, its change and standard deviation, d ln rho / d temperature, and the
    number of the channel. In `days` between both sides the coupler's balance may have drifted, too,
    which changes rho by one factor.
    """
    effect = before * np.expm1(WARMER_C[:, None] * per_c)
    sd_by_c = np.hypot(sd, MODEL_SHARE * effect)
    ln_by_c = (-0.5 * ((change - effect) / sd_by_c) ** 2 - np.log(sd_by_c)).sum(axis=1)
    ln_by_c -= 0.5 * (WARMER_C / SHACK_SD_C) ** 2
    best = int(np.argmax(ln_by_c))
    prior = np.exp(-0.5 * (WARMER_C / SHACK_SD_C) ** 2).sum()
    of_temperature = float(np.logaddexp.reduce(ln_by_c)) - math.log(prior)
    own = channel[:, None] == channel
    uneven = UNEVEN_SHARE * change
    covariance = np.diag(sd**2 + uneven**2) + LOAD_SD**2 * (1 - ONE_CHANNEL + ONE_CHANNEL * own)
    _, ln_determinant = np.linalg.slogdet(covariance)
    of_load = -0.5 * float(change @ np.linalg.solve(covariance, change) + ln_determinant)
    drift_sd = WANDER_DB * math.sqrt(days / YEAR) / DB_PER_LN
    of_drift, drift = _fit_factor(before, change, sd, drift_sd)
    if of_drift > of_temperature:
        return ThermalFit(0.0, of_drift - of_load, False, drift * DB_PER_LN)
    span = np.array([np.ptp(effect[best][row]) for row in own])
    is_uneven = bool((span > UNEVEN_SD * sd).any())
    return ThermalFit(float(WARMER_C[best]), of_temperature - of_load, is_uneven)


def _fit_factor(before: Floats, change: Floats, sd: Floats, ln_sd: float) -> tuple[float, float]:
    """Return ln of the likelihood of one factor for all rho, and the best ln of the factor.

    The factor has a normal prior of `ln_sd`.
    """
    covariance = np.diag(sd**2) + ln_sd**2 * np.outer(before, before)
    _, ln_determinant = np.linalg.slogdet(covariance)
    solved = np.linalg.solve(covariance, change)
    return -0.5 * float(change @ solved + ln_determinant), ln_sd**2 * float(before @ solved)
