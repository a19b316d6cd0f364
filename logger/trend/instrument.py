"""What the coupler did, from its verifications, taken out of what the feedline did.

The balance of a coupler's ports (reflected over forward, dB) is assumed to wander from the date of
its calibration on: a random walk of WANDER_DB in a year. Verifications observe it, open end and
load each with an offset that all of a calibration share. Given them, the balance on each day is
normally distributed (Gaussian process regression); its mean is removed from the daily values, its
covariance becomes an uncertainty of the slope. Without verifications the mean is 0 and all of the
walk remains as an uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from logger.daily import Days, FloatArray, IntArray
from logger.physics.reflection import HIGHEST_SWR, rho_of_swr, swr
from logger.trend.design import SEASON_SPAN, YEAR, harmonics
from logger.trend.temperature import Coefficient, ThermalPart
from logger.utc import DAY_NS
from logger.verification.row import Verification

WANDER_DB = 1.0  # standard deviation after a year; an assumption
UNKNOWN_DB = 10.0  # offset of a figure of which nothing is predicted
DB_PER_LN = 20 / math.log(10)  # of a reflection coefficient
GRID = 60  # days on which the slope's uncertainty is evaluated, at most
HARMONICS = 2  # of the year, as of the trends


@dataclass(frozen=True)
class Wander:
    """The balance of one calibration's coupler.

    origin  day of the calibration, where the walk begins
    day, value, covariance  observations of the balance, dB, (m,) and (m, m)
    """

    origin: float
    day: FloatArray
    value: FloatArray
    covariance: FloatArray

    def mean(self, day: FloatArray) -> FloatArray:
        """Return the mean of the balance on some days, dB, (n,) -> (n,)."""
        if not len(self.day):
            return np.zeros(len(day))
        known = self._walk(self.day, self.day) + self.covariance
        return np.asarray(self._walk(day, self.day) @ np.linalg.solve(known, self.value))

    def at(self, day: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return mean (n,) and covariance (n, n) of the balance on some days, dB."""
        prior = self._walk(day, day)
        if not len(self.day):
            return np.zeros(len(day)), prior
        across = self._walk(day, self.day)
        gain = np.linalg.solve(self._walk(self.day, self.day) + self.covariance, across.T).T
        return np.asarray(gain @ self.value), np.asarray(prior - gain @ across.T)

    def _walk(self, first: FloatArray, second: FloatArray) -> FloatArray:
        """Return the covariance of the walk, in both directions of time, (n, m)."""
        one, other = (first - self.origin)[:, None], (second - self.origin)[None, :]
        shared = np.minimum(np.abs(one), np.abs(other)) * (one * other > 0)
        return np.asarray(WANDER_DB**2 / YEAR * shared)


@dataclass(frozen=True)
class Instrument:
    """Part of the coupler in one channel's trend.

    slope_u         standard error of its slope from the balance, SWR per year
    balance_slope_u_db  the same of the balance itself, dB per year
    checks          verifications of the calibrations in use
    balance_db      change of the balance on the last day, and its standard uncertainty
    thermal_slope_u the part of slope_u that is of the temperature's coefficient
    thermal_swr     what one standard uncertainty of the coefficient changes on each day, SWR, (n,)
    temperature     coefficient by which the temperature was taken out; its uncertainty is in
                    both slopes
    """

    slope_u: float
    balance_slope_u_db: float
    checks: int
    balance_db: float
    balance_u_db: float
    thermal_slope_u: float = 0.0
    thermal_swr: FloatArray | None = None
    temperature: Coefficient | None = None


NOT_CHECKED = Instrument(0.0, 0.0, 0, 0.0, 0.0)


def wanders(
    verifications: Sequence[Verification], calibrated: Mapping[str, int | None]
) -> dict[str, Wander]:
    """Return the balance of each calibration by id; `calibrated` are their dates, UTC ns."""
    return {
        name: _wander([row for row in verifications if row.calibration_id == name], time_ns)
        for name, time_ns in calibrated.items()
        if time_ns is not None or any(row.calibration_id == name for row in verifications)
    }


def _wander(rows: Sequence[Verification], calibrated_ns: int | None) -> Wander:
    days: list[float] = []
    values: list[float] = []
    parts: list[tuple[str, float, float]] = []
    for row in rows:
        for figure in ("load", "open"):
            value = getattr(row, f"{figure}_db")
            if value is not None:
                days.append(row.time_ns / DAY_NS)
                values.append(value)
                expected_u = getattr(row, f"{figure}_expected_u_db")
                offset = UNKNOWN_DB if expected_u is None else expected_u
                parts.append((figure, getattr(row, f"{figure}_u_db"), offset))
    figures = np.array([figure for figure, _, _ in parts])
    u, offset = (np.array([part[place] for part in parts], dtype=np.float64) for place in (1, 2))
    shared = (figures[:, None] == figures[None, :]) * offset[:, None] * offset[None, :]
    first = days[0] if days else 0.0
    return Wander(
        first if calibrated_ns is None else calibrated_ns / DAY_NS,
        np.array(days),
        np.array(values) - _plain_level(values, offset),
        np.diag(u**2) + shared,
    )


def _plain_level(values: Sequence[float], offset: FloatArray) -> FloatArray:
    """Return the level of plain ratios, which depart from 0 by far more than UNKNOWN_DB."""
    is_plain = offset == UNKNOWN_DB
    if not is_plain.any():
        return np.zeros(len(values))
    return np.where(is_plain, np.asarray(values)[is_plain].mean(), 0.0)


def separate(
    days: Days,
    wander_by_id: Mapping[str, Wander],
    thermal: ThermalPart | None = None,
    coefficient: Coefficient | None = None,
) -> tuple[Days, Instrument]:
    """Return the daily values without the coupler's part, and what remains of it.

    thermal, coefficient  the part of its temperature, if that is known
    """
    days, of_temperature = without_temperature(days, thermal)
    sound, instrument = _without_balance(days, wander_by_id)
    if coefficient is None or thermal is None:
        return sound, instrument
    slope_u, balance_u_db = _slope_of(days, of_temperature)
    return sound, replace(
        instrument,
        slope_u=math.hypot(instrument.slope_u, slope_u),
        balance_slope_u_db=math.hypot(instrument.balance_slope_u_db, balance_u_db),
        thermal_slope_u=slope_u,
        thermal_swr=of_temperature * (sound.swr**2 - 1) / 2,
        temperature=coefficient,
    )


def without_temperature(days: Days, thermal: ThermalPart | None) -> tuple[Days, FloatArray]:
    """Return daily values at the temperature of the bench, and what its coefficient's u changes.

    On days without a temperature the mean of the others is assumed. The change is of ln rho, (n,).
    """
    if thermal is None:
        return days, np.zeros(len(days.day))
    shift = np.full(len(days.day), thermal.shift.mean())
    by_u = np.full(len(days.day), thermal.by_u.mean())
    _, own, other = np.intersect1d(days.day, thermal.day, return_indices=True)
    shift[own], by_u[own] = thermal.shift[other], thermal.by_u[other]
    rho = rho_of_swr(days.swr) * np.exp(shift)
    return replace(days, swr=swr(np.minimum(rho, rho_of_swr(HIGHEST_SWR)))), by_u


def _slope_of(days: Days, change: FloatArray) -> tuple[float, float]:
    """Return the slope that a change of ln rho (n,) has, in SWR per year and in dB per year."""
    places, pull = _slope_pull(days)
    per_year = abs(float(pull @ change[places])) if len(pull) else 0.0
    level = float(np.median(days.swr))
    return per_year * (level**2 - 1) / 2, per_year * DB_PER_LN


def _without_balance(days: Days, wander_by_id: Mapping[str, Wander]) -> tuple[Days, Instrument]:
    day = days.day.astype(np.float64)
    middle = day + 0.5
    balance = np.zeros(len(day))
    own: dict[int, Wander] = {}
    for number in np.unique(days.calibration).tolist():
        name = days.calibration_ids[number] if days.calibration_ids else ""
        own[number] = wander_by_id.get(name) or Wander(
            day[0], np.array([]), np.array([]), np.empty((0, 0))
        )
        mask = days.calibration == number
        balance[mask] = own[number].mean(middle[mask])
    if not any(len(wander.day) for wander in own.values()):
        return days, Instrument(*_slope_u(days, own), 0, 0.0, _last_u(days, own))
    rho = rho_of_swr(days.swr) * np.exp(-balance / DB_PER_LN)
    checks = {float(at) for wander in own.values() for at in wander.day}
    instrument = Instrument(
        *_slope_u(days, own), len(checks), float(balance[-1]), _last_u(days, own)
    )
    return replace(days, swr=swr(rho)), instrument


def _last_u(days: Days, own: Mapping[int, Wander]) -> float:
    """Return the standard uncertainty of the balance on the last day, dB."""
    covariance = own[int(days.calibration[-1])].at(days.day[-1:].astype(np.float64) + 0.5)[1]
    return float(np.sqrt(max(float(covariance[0, 0]), 0.0)))


def _slope_u(days: Days, own: Mapping[int, Wander]) -> tuple[float, float]:
    """Return the standard error of a slope from the balance, in SWR per year and in dB per year."""
    places, pull = _slope_pull(days)
    if not len(pull):
        return 0.0, 0.0
    day, number = days.day[places].astype(np.float64), days.calibration[places]
    variance = 0.0
    for each in np.unique(number).tolist():
        mask = number == each
        covariance = own[each].at(day[mask] + 0.5)[1]
        variance += float(pull[mask] @ covariance @ pull[mask])
    level = float(np.median(days.swr))
    balance_db = float(np.sqrt(max(variance, 0.0)))
    return balance_db * (level**2 - 1) / 2 / DB_PER_LN, balance_db


def _slope_pull(days: Days) -> tuple[IntArray, FloatArray]:
    """Return some rows of daily values, (k,), and the effect of each on the slope; none if short.

    A season is fitted beside the slope where there is a year, as in the trends: it absorbs a part
    of a walk, and makes the slope depend more on what is left.
    """
    places = np.unique(np.linspace(0, len(days.day) - 1, GRID).astype(np.int64))
    day, number = days.day[places].astype(np.float64), days.calibration[places]
    if len(day) < 3 or day[-1] == day[0]:
        return places, np.array([])
    years = (day - day.mean()) / YEAR
    levels = [(number == each).astype(np.float64) for each in np.unique(number)]
    is_long = day[-1] - day[0] >= SEASON_SPAN
    season = harmonics(days.day[places], HARMONICS) if is_long else []
    return places, np.asarray(np.linalg.pinv(np.column_stack([years, *levels, *season]))[0])
