"""Fit of antenna and line to the weekly values of several channels, with uncertainty.

Intervals of slopes are profiles of chi-square, as R, Q, f0 and L are strongly coupled.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from logger.daily import FloatArray
from logger.physics.estimate import Estimate
from logger.trend.state_model import MOVE, SLOPE, STEP, Model

ROBUST = 3.0  # standard deviations above which a bin has less weight
SIGMAS_95 = 1.96
BLOCK_DAYS = 45  # correlations longer than a bin show between blocks of this length


@dataclass(frozen=True)
class StateFit:
    """Best fit of a story; `chi2` in units of NOISE squared."""

    model: Model
    p: FloatArray
    chi2: float

    @cached_property
    def _spread(self) -> tuple[FloatArray, float]:
        model, n = self.model, len(self.model.bins.swr)
        x = self.p[model.free]
        jacobian, residual = model.jacobian(x)[:n], model.residual(x)[:n]
        noise2 = max(float(residual @ residual) / max(1, n - len(x)), 1e-6)
        covariance = np.linalg.inv(jacobian.T @ jacobian / noise2 + np.eye(len(x)))
        pull = covariance @ jacobian.T
        block = ((model.bins.day - model.bins.day.min()) // BLOCK_DAYS).astype(np.int64)
        count = len(np.unique(block))
        correction = count / max(1, count - 4)  # absorbed by level, slope and season
        ratios = []
        for row in np.flatnonzero(np.isin(model.free, (MOVE, SLOPE))):
            sums = np.bincount(block, pull[row] * residual)
            ratios.append(correction * float(sums @ sums) / (noise2 * float(pull[row] @ pull[row])))
        inflation = max(1.0, sum(ratios) / len(ratios)) if ratios else 1.0
        return np.asarray(covariance * inflation), noise2 * inflation

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the free parameters."""
        return self._spread[0]

    @property
    def unit(self) -> float:
        """Unit of differences of `chi2`: the residual noise, increased for correlated bins.

        A cluster-robust variance, see `RegressionFit.slow`.
        """
        return self._spread[1]

    def better_than(self, other: StateFit) -> float:
        """Return by how much chi-square is lower than that of another story about the same bins."""
        return (other.chi2 - self.chi2) / self.unit

    def level(self, which: int, day: float) -> Estimate:
        """Return resonance (0, kHz), loss (1, dB), R (2, ohm) or Q (3) on a day."""
        model = self.model
        days = np.array([day])
        waves = model.course(days)

        def value(p: FloatArray) -> float:
            return float(model.physical(p, days, waves)[which, 0])

        steps = STEP * np.eye(model.size)[model.free]
        gradient = np.array([value(self.p + e) - value(self.p - e) for e in steps]) / (2 * STEP)
        middle = value(self.p)
        reach = SIGMAS_95 * math.sqrt(float(gradient @ self.covariance @ gradient))
        ends = (middle, middle - reach, middle + reach)
        return Estimate(*(ends if which < 2 else map(math.exp, ends)))

    def slope(self, parameter: int, unit: float) -> Estimate:
        """Return a parameter in its unit, with the 95 % interval from the profile of chi-square."""
        reach = SIGMAS_95 * math.sqrt(
            self.covariance[self.model.free == parameter, :][:, self.model.free == parameter][0, 0]
        )
        low, high = (self._end(parameter, sign * reach) for sign in (-1, 1))
        return Estimate(*(unit * value for value in (float(self.p[parameter]), low, high)))

    def _end(self, parameter: int, reach: float) -> float:
        """Return the end of the interval, where the profile reaches SIGMAS_95.

        It is found by some steps of the secant method.
        """
        previous = (0.0, 0.0)  # distance from the best value, and its standard deviations
        for _ in range(4):
            refit = self.with_fixed(parameter, float(self.p[parameter]) + reach)
            sigmas = math.sqrt(max(refit.chi2 - self.chi2, 1e-9) / self.unit)
            if abs(sigmas - SIGMAS_95) < 0.1:
                break
            slope = (sigmas - previous[1]) / (reach - previous[0])
            previous = (reach, sigmas)
            new_reach = reach + (SIGMAS_95 - sigmas) / slope if slope else 2 * reach
            reach = (
                new_reach
                if 0.2 < new_reach / reach < 3
                else reach * (0.4 if new_reach / reach < 1 else 2.5)
            )
        return float(self.p[parameter]) + reach

    def with_fixed(self, parameter: int, value: float) -> StateFit:
        """Return the best fit with a parameter fixed."""
        model = replace(self.model, fixed={**self.model.fixed, parameter: value})
        return best_fit(model, [self.p])


def best_fit(model: Model, starts: Sequence[FloatArray]) -> StateFit:
    """Return the best fit from several starts, each with all parameters."""
    from scipy.optimize import least_squares

    solutions = [
        least_squares(
            model.residual,
            start[model.free],
            model.jacobian,
            loss="soft_l1",
            f_scale=ROBUST,
            x_scale=1.0,
            max_nfev=50,
            ftol=1e-5,
            xtol=1e-5,
            gtol=1e-6,
        )
        for start in starts
    ]
    best = min(solutions, key=lambda solution: float(solution.cost))
    return StateFit(model, model.expand(best.x), 2 * float(best.cost))
