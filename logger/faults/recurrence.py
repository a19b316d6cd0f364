"""How often a fault shows itself, and what its silence tells.

A contact shows itself in some transmissions, more often in some sessions than in others (wind,
heat), and as a rule more often from day to day. So signs are a Poisson process over transmissions
whose rate in a session is drawn from a gamma distribution; its mean grows exponentially. Mean at
the last session, shape and growth are uncertain: they have a prior over a grid, which the sessions
with the fault turn into a posterior. Under that, clean transmissions of one calm session are little
evidence of a repair if the fault paused for whole sessions before, and much if it never did.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from logger.blocks import Floats
from logger.faults.memory import Session
from logger.utc import DAY_NS

RATES = np.geomspace(0.003, 3.0, 16)[:, None, None]  # signs per transmission
SHAPES = np.array([0.1, 0.3, 1.0, 3.0, 10.0, 100.0])  # small: sessions differ much
GROWTHS = np.array([0.0, 0.1, 0.2, 0.4])  # a day
SHAPE = SHAPES[None, :, None]
PRIOR = 0.5 * np.log(SHAPE)  # but for a constant


def share(sessions: Sequence[Session]) -> float:
    """Return the share of transmissions with a sign."""
    signs = sum(session.signs for session in sessions)
    return (signs + 0.5) / (sum(session.transmissions for session in sessions) + 1)


def posterior(sessions: Sequence[Session]) -> Floats:
    """Return ln of the probabilities of rates, shapes and growths, (16, 6, 4)."""
    end_ns = max((session.start_ns for session in sessions), default=0)
    ages = np.array([(end_ns - session.start_ns) / DAY_NS for session in sessions])
    ln = PRIOR + _ln_density(sessions, RATES[..., None] * np.exp(-GROWTHS[:, None] * ages))
    return np.asarray(ln - _ln_sum(ln))


def ln_probability(ln_weights: Floats, sessions: Sequence[Session]) -> float:
    """Return ln of the probability of further sessions at the rates of a posterior."""
    rates = np.repeat(RATES[..., None], len(sessions), axis=-1)
    return _ln_sum(ln_weights + _ln_density(sessions, rates))


def _ln_density(sessions: Sequence[Session], rates: Floats) -> Floats:
    """Return ln of the density of the signs in sessions at rates (16, 1, 4 or 1, sessions)."""
    signs = np.array([session.signs for session in sessions], dtype=np.float64)
    exposure = np.array([session.transmissions for session in sessions], dtype=np.float64)
    bursts = [
        [math.lgamma(shape + number) - math.lgamma(shape) for number in signs] for shape in SHAPES
    ]
    shape = SHAPE[..., None]
    each = np.array(bursts).reshape(1, len(SHAPES), 1, len(signs)) + signs * np.log(
        rates / (rates * exposure / shape + 1) / shape
    )
    return np.asarray((each - shape * np.log1p(rates * exposure / shape)).sum(axis=-1))


def _ln_sum(ln: Floats) -> float:
    most = float(ln.max())
    return most + math.log(float(np.exp(ln - most).sum()))
