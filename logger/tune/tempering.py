"""Draws from a posterior with a standard normal prior, by sequential Monte Carlo.

Particles start as draws of the prior. The power of the likelihood rises in steps chosen so that the
effective share of particles is EFFECTIVE; after each step they are resampled and moved by
random-walk Metropolis steps with their own covariance (P. Del Moral, A. Doucet and A. Jasra,
Sequential Monte Carlo samplers, J. R. Statist. Soc. B 68, 2006).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from logger.blocks import Floats

EFFECTIVE = 0.5  # effective share of the particles at each step
MOVES = 20
WIDTH = 1.7  # of a random walk; divided by the square root of its dimensions
SEED = 20260301  # fixed, so that equal readings give equal answers


def draws(log_likelihood: Callable[[Floats], Floats], dimensions: int, count: int) -> Floats:
    """Return draws of the posterior, (count, dimensions)."""
    rng = np.random.default_rng(SEED)
    particles = rng.standard_normal((count, dimensions))
    likelihood = log_likelihood(particles)
    reached = 0.0
    while reached < 1.0:
        step = _step(likelihood, 1.0 - reached)
        reached += step
        weight = np.exp(step * (likelihood - likelihood.max()))
        chosen = _resample(rng, weight / weight.sum())
        particles, likelihood = particles[chosen], likelihood[chosen]
        root = _root(particles)
        width = WIDTH / np.sqrt(dimensions)
        for _ in range(MOVES):
            tried = particles + width * rng.standard_normal(particles.shape) @ root.T
            tried_likelihood = log_likelihood(tried)
            gain = reached * (tried_likelihood - likelihood) + 0.5 * (
                (particles**2).sum(axis=1) - (tried**2).sum(axis=1)
            )
            accepted = np.log(rng.random(count)) < gain
            particles[accepted] = tried[accepted]
            likelihood[accepted] = tried_likelihood[accepted]
            width *= np.exp(np.clip(2 * (accepted.mean() - 0.25), -0.5, 0.5))
    return particles


def _step(likelihood: Floats, most: float) -> float:
    """Return the increase of the likelihood's power that leaves an effective share EFFECTIVE."""

    def effective_share(step: float) -> float:
        weight = np.exp(step * (likelihood - likelihood.max()))
        return float(weight.sum() ** 2 / (weight**2).sum() / len(weight))

    if effective_share(most) >= EFFECTIVE:
        return most
    low, high = 0.0, most
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if effective_share(middle) >= EFFECTIVE else (low, middle)
    return max(low, 1e-9)


def _resample(rng: np.random.Generator, weight: Floats) -> np.ndarray:
    """Return indices by systematic resampling."""
    places = (np.arange(len(weight)) + rng.random()) / len(weight)
    return np.minimum(np.searchsorted(np.cumsum(weight), places), len(weight) - 1)


def _root(particles: Floats) -> Floats:
    covariance = np.atleast_2d(np.cov(particles, rowvar=False))
    return np.asarray(np.linalg.cholesky(covariance + 1e-10 * np.eye(len(covariance))))
