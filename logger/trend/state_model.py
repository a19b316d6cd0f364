"""Model of a series-resonant antenna at the end of a lossy line, by weekly values of channels.

Z = R (1 + j Q (f/f0 - f0/f)) after L dB one way. f0 and L have a level, a slope, an annual cycle
and a step at each work; in the other story R has a slope instead of L; Q is constant. Added is the
coupler's leak, a complex number that rotates against the reflection by the delay of the line. Least
squares with weak priors on antennas, lines and couplers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np

from logger.daily import FloatArray, IntArray
from logger.physics.antenna import reflection
from logger.physics.reflection import swr
from logger.trend.design import YEAR, harmonics, step_columns

Story = Literal["loss", "resistance"]

# Priors: medians and standard deviations, of the logarithm for R, Q and loss.
OHM, OHM_SPREAD = 45.0, 0.5
Q, Q_SPREAD = 14.0, 0.6
LOSS_DB, LOSS_SPREAD = 0.6, 0.9
DETUNED_KHZ = 600.0
KHZ_A_YEAR, DB_A_YEAR, LOG_OHM_A_YEAR = 100.0, 1.0, 0.1
SEASON_KHZ, SEASON_DB = 50.0, 0.3
LEAK = 0.04  # of the reflection coefficient, real and imaginary
DELAY_NS, DELAY_SPREAD = 120.0, 0.9  # both ways
OFFSET = 0.01  # SWR, of each channel: an antenna is not exactly a series circuit
NOISE = 0.03  # SWR of a day, initial value
TOGETHER = 0.35  # correlation of two days of a bin: the mean is worth fewer than its days
MOST_RHO = 0.98
STEP = 1e-4
SCALES = np.array([1.0, STEP, STEP, STEP, STEP, STEP, 0.1])  # kHz, dB, logarithms, rho, ns
# Indices of the parameters.
RESISTANCE, QUALITY, LOSS, RESONANCE, MOVE, SLOPE, LEAK_RE, LEAK_IM, DELAY, REST = range(10)


@dataclass(frozen=True)
class Bins:
    """Means of some days of a channel: (n,) each.

    day   the middle of the bin
    place number of the channel
    days  number of days with readings
    """

    day: FloatArray
    khz: FloatArray
    place: IntArray
    swr: FloatArray
    days: IntArray


@dataclass(frozen=True)
class Model:
    """Antenna, line and coupler as a model of the bins.

    Parameters are scaled so that the prior of each is 0 +- 1: log R, log Q and log L, resonance,
    its slope, the slope of the loss (or of log R), the leak and log delay, waves and steps of
    resonance and loss, offsets of channels. Those in `fixed` are constant.
    """

    bins: Bins
    steps: tuple[int, ...]
    harmonics: int
    story: Story
    fixed: dict[int, float] = field(default_factory=dict)

    @cached_property
    def waves(self) -> FloatArray:
        """Columns of the annual cycle and of the steps, (n, w)."""
        return self.course(self.bins.day)

    def course(self, times: FloatArray) -> FloatArray:
        """Return the same columns for any days."""
        day = times.astype(np.int64)
        columns = [*harmonics(day, self.harmonics), *step_columns(day, self.steps).T]
        return np.column_stack(columns) if columns else np.zeros((len(times), 0))

    @cached_property
    def middle_khz(self) -> float:
        return float(self.bins.khz.min() + self.bins.khz.max()) / 2

    @cached_property
    def middle(self) -> float:
        return float(self.bins.day.min() + self.bins.day.max()) / 2

    @cached_property
    def size(self) -> int:
        """Number of parameters."""
        channels = int(self.bins.place.max()) + 1
        return REST + 2 * int(self.waves.shape[1]) + channels

    @cached_property
    def free(self) -> IntArray:
        return np.array([k for k in range(self.size) if k not in self.fixed])

    @cached_property
    def weight(self) -> FloatArray:
        return np.sqrt(self.bins.days / (1 + TOGETHER * (self.bins.days - 1))) / NOISE

    def expand(self, x: FloatArray) -> FloatArray:
        """Return all parameters from the free ones."""
        p = np.zeros(self.size)
        p[self.free] = x
        p[list(self.fixed)] = list(self.fixed.values())
        return p

    def physical(self, p: FloatArray, day: FloatArray, waves: FloatArray) -> FloatArray:
        """Return resonance (kHz), loss (dB), log R, log Q, leak, delay (ns) on each day, (7, n)."""
        count = waves.shape[1]
        years = (day - self.middle) / YEAR
        khz = self.middle_khz + DETUNED_KHZ * p[RESONANCE] + KHZ_A_YEAR * p[MOVE] * years
        khz = khz + SEASON_KHZ * waves @ p[REST : REST + count]
        loss = LOSS_DB * math.exp(LOSS_SPREAD * p[LOSS]) + np.zeros(len(day))
        loss = loss + SEASON_DB * waves @ p[REST + count : REST + 2 * count]
        log_ohm = math.log(OHM) + OHM_SPREAD * p[RESISTANCE] + np.zeros(len(day))
        if self.story == "loss":
            loss = loss + DB_A_YEAR * p[SLOPE] * years
        else:
            log_ohm = log_ohm + LOG_OHM_A_YEAR * p[SLOPE] * years
        constants = (
            math.log(Q) + Q_SPREAD * p[QUALITY],
            LEAK * p[LEAK_RE],
            LEAK * p[LEAK_IM],
            DELAY_NS * math.exp(DELAY_SPREAD * p[DELAY]),
        )
        return np.vstack([khz, loss, log_ohm, *(np.full(len(day), value) for value in constants)])

    def _swr(self, physical: FloatArray) -> FloatArray:
        khz, loss, log_ohm, log_q, leak_re, leak_im, delay_ns = physical
        rotation = np.exp(2e-6j * np.pi * delay_ns * (self.bins.khz - self.middle_khz))
        reflected = reflection(self.bins.khz, khz, np.exp(log_ohm), np.exp(log_q))
        reflected = reflected * 10 ** (-loss / 10) + (leak_re + 1j * leak_im) * rotation
        return np.asarray(swr(np.minimum(np.abs(reflected), MOST_RHO)))

    def residual(self, x: FloatArray) -> FloatArray:
        """Return the residuals of the bins in units of NOISE, then the free parameters' priors."""
        p = self.expand(x)
        offset = OFFSET * p[REST + 2 * self.waves.shape[1] :][self.bins.place]
        model_swr = self._swr(self.physical(p, self.bins.day, self.waves)) + offset
        return np.concatenate([(model_swr - self.bins.swr) * self.weight, x])

    def jacobian(self, x: FloatArray) -> FloatArray:
        """Return the derivatives of `residual`, (n + free, free)."""
        p, count, n = self.expand(x), self.waves.shape[1], len(self.bins.swr)
        centre = self.physical(p, self.bins.day, self.waves)
        by_khz, by_db, by_ohm, by_q, by_re, by_im, by_ns = (
            self.weight * (self._swr(centre + part) - self._swr(centre - part)) / (2 * size)
            for size, part in zip(SCALES, np.diag(SCALES)[:, :, None], strict=True)
        )
        years = (self.bins.day - self.middle) / YEAR
        columns = np.zeros((n, self.size))
        columns[:, RESISTANCE] = OHM_SPREAD * by_ohm
        columns[:, QUALITY] = Q_SPREAD * by_q
        columns[:, LOSS] = LOSS_SPREAD * LOSS_DB * math.exp(LOSS_SPREAD * p[LOSS]) * by_db
        columns[:, RESONANCE] = DETUNED_KHZ * by_khz
        columns[:, MOVE] = KHZ_A_YEAR * years * by_khz
        columns[:, SLOPE] = years * (
            DB_A_YEAR * by_db if self.story == "loss" else LOG_OHM_A_YEAR * by_ohm
        )
        columns[:, LEAK_RE], columns[:, LEAK_IM] = LEAK * by_re, LEAK * by_im
        columns[:, DELAY] = DELAY_SPREAD * centre[6] * by_ns
        columns[:, REST : REST + count] = SEASON_KHZ * by_khz[:, None] * self.waves
        columns[:, REST + count : REST + 2 * count] = SEASON_DB * by_db[:, None] * self.waves
        columns[np.arange(n), REST + 2 * count + self.bins.place] = OFFSET * self.weight
        return np.vstack([columns[:, self.free], np.eye(len(self.free))])


def starts(model: Model) -> list[FloatArray]:
    """Return starts with antennas of low and high resistance and low and high resonance."""
    half = float(model.bins.khz.max() - model.bins.khz.min()) / 2
    points = []
    for ohm in (30.0, 75.0):
        for off in (-0.5, 0.5):
            start = np.zeros(model.size)
            start[RESISTANCE] = math.log(ohm / OHM) / OHM_SPREAD
            start[RESONANCE] = off * half / DETUNED_KHZ
            points.append(start)
    return points
