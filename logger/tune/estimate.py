"""Estimates the resonance of an antenna from SWR readings at some frequencies and settings.

The model is a series-resonant antenna, Z = R (1 + j Q (f/f0 - f0/f)) after a line with a loss of
L dB and a delay; the coupler's leak (directivity), a complex number of unknown phase and the same
in all readings, adds to the reflection. R, Q, L, the delay and the leak are constant in a session;
f0 moves with the setting by a learned sensitivity. As no antenna follows this exactly, a smooth
deviation is allowed in the readings and in the movement of f0. The result is draws of the
posterior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.blocks import Floats
from logger.physics.antenna import reflection, rho
from logger.physics.reflection import rho_of_swr, swr
from logger.tune.positions import (
    GUESS_SPREAD,
    SETTING_ERROR,
    Adjustment,
    Position,
    span_khz,
)
from logger.tune.tempering import draws

DRAWS = 1000
# Standard deviations of the priors; of logarithms where a median is given.
DETUNED = 0.05  # relative; first position's resonance about the middle of the channels
UNCUT = -0.025, 0.025  # the same for cutting: usual practice starts 2 to 5 % too long
RESISTANCE_OHM, RESISTANCE_SPREAD = 45.0, 0.5
Q, Q_SPREAD = 14.0, 0.8
LOSS_DB, LOSS_SPREAD = 0.6, 0.9
DELAY_NS, DELAY_SPREAD = 120.0, 0.9  # round trip
SHARED = 8  # dimensions; each position adds one
# Error of a reflection coefficient besides the leak: noise, and deviation from a series circuit.
ERROR, RELATIVE_ERROR = 0.004, 0.01
LEAK = 0.57  # standard deviation of each part of the coupler's leak, relative to its stated value
# Deviation from any series circuit by two resonances, a matching network or a current on the line:
# of the reflection coefficient, nearly equal at frequencies and lengths whose relative difference
# is less than DOUBT_APART.
DOUBT, DOUBT_APART = 0.02, 0.01
WANDER = 0.1  # of the sensitivity, as the antenna changes with its length


@dataclass(frozen=True)
class Posterior:
    """Draws of the posterior, (n,) each; `resonance_khz` is (n, positions).

    sensitivity  relative fall of the resonance per unit of length
    misfit       mean square of the best draw's residuals, in standard deviations
    """

    resonance_khz: Floats
    resistance_ohm: Floats
    q: Floats
    loss_db: Floats
    sensitivity: Floats
    misfit: float

    def swr(self, frequency_khz: float, resonance_khz: Floats) -> Floats:
        """Return draws of the true SWR at the radio for a resonance at `resonance_khz`."""
        size = rho(frequency_khz, resonance_khz, self.resistance_ohm, self.q, self.loss_db)
        return swr(size)


def interval(values: Floats) -> tuple[float, float, float]:
    """Return median and 95 % interval of draws."""
    low, middle, high = np.quantile(values, (0.025, 0.5, 0.975))
    return float(middle), float(low), float(high)


def estimate(
    adjustment: Adjustment, positions: Sequence[Position], loss_db: float | None = None
) -> Posterior:
    """Return the posterior from one or more positions, each with one or more readings.

    `loss_db` is that of the line, None if unknown.
    """
    model = _Model(adjustment, positions, loss_db)
    particles = draws(model.log_likelihood, SHARED + len(positions), DRAWS)
    best = float(model.log_likelihood(particles).max())
    return model.posterior(particles, -2 * best / len(model.measured))


class _Model:
    def __init__(
        self, adjustment: Adjustment, positions: Sequence[Position], loss_db: float | None
    ) -> None:
        low, high = span_khz(positions)
        self.middle_khz = (low * high) ** 0.5
        settings = np.array([position.setting for position in positions])
        self.adjustment = adjustment
        self.moved = adjustment.sign * (settings - settings[0])
        self.per_unit = adjustment.relative_change(positions[0].setting)
        self.detuned = UNCUT if adjustment.cut else (0.0, DETUNED)
        self.loss = (LOSS_DB, LOSS_SPREAD) if loss_db is None else (max(loss_db, 0.01), 0.25)
        readings = [reading for position in positions for reading in position.readings]
        self.position = np.repeat(  # index of that of each reading
            np.arange(len(positions)), [len(position.readings) for position in positions]
        )
        self.khz = np.array([reading.frequency_khz for reading in readings])
        self.measured = rho_of_swr([reading.swr for reading in readings])
        bounds = rho_of_swr([reading.swr_high for reading in readings]) - self.measured
        self.leak = float(max(bounds.min(), ERROR))
        error = np.hypot(ERROR, RELATIVE_ERROR * self.measured)
        apart = np.log(self.khz[:, None] / self.khz) / DOUBT_APART
        moved = self.per_unit * self.moved[self.position] / DOUBT_APART
        alike = np.exp(-0.5 * (apart**2 + (moved[:, None] - moved) ** 2))
        covariance = np.diag(error**2) + DOUBT**2 * alike
        self.whiten = np.linalg.inv(np.linalg.cholesky(covariance))
        away = np.abs(self.moved - self.moved[-1])
        self.set_wrong = np.hypot(SETTING_ERROR[adjustment.unit], WANDER * away)

    def resonance_khz(self, particles: Floats) -> Floats:
        unit = self.adjustment.unit
        per_unit = self.per_unit * np.exp(GUESS_SPREAD[unit] * particles[:, 1])
        set_wrong = self.set_wrong * particles[:, SHARED:]
        moved = self.moved + set_wrong - set_wrong[:, :1]
        mean, spread = self.detuned
        exponent = mean + spread * particles[:, :1] - per_unit[:, None] * moved
        return np.asarray(self.middle_khz * np.exp(exponent))

    def antenna(self, particles: Floats) -> tuple[Floats, Floats, Floats]:
        loss, spread = self.loss
        return (
            RESISTANCE_OHM * np.exp(RESISTANCE_SPREAD * particles[:, 2]),
            Q * np.exp(Q_SPREAD * particles[:, 3]),
            loss * np.exp(spread * particles[:, 4]),
        )

    def log_likelihood(self, particles: Floats) -> Floats:
        resonance = self.resonance_khz(particles)[:, self.position]
        resistance, q, loss = (values[:, None] for values in self.antenna(particles))
        delay_us = DELAY_NS / 1e3 * np.exp(DELAY_SPREAD * particles[:, 5])
        turn = 2j * np.pi * delay_us[:, None] * (self.khz - self.middle_khz) / 1e3
        leak = LEAK * self.leak * (particles[:, 6] + 1j * particles[:, 7])
        reflected = reflection(self.khz, resonance, resistance, q) * 10 ** (-loss / 10)
        expected = np.abs(reflected + leak[:, None] * np.exp(turn))
        return np.asarray(-0.5 * (((expected - self.measured) @ self.whiten.T) ** 2).sum(axis=1))

    def posterior(self, particles: Floats, misfit: float) -> Posterior:
        resistance, q, loss = self.antenna(particles)
        spread = GUESS_SPREAD[self.adjustment.unit]
        return Posterior(
            resonance_khz=self.resonance_khz(particles),
            resistance_ohm=resistance,
            q=q,
            loss_db=loss,
            sensitivity=self.per_unit * np.exp(spread * particles[:, 1]),
            misfit=misfit,
        )
