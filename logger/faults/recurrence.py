"""How often a fault shows itself, and what its silence tells.

A contact shows itself in some transmissions, more often in some sessions than in others (wind,
heat), and as a rule more often from day to day. So signs are a Poisson process over transmissions
whose rate in a session is drawn from a gamma distribution; its mean grows exponentially. Mean at
the last session, shape and growth are uncertain: they have a prior over a grid. So the clean
transmissions of one calm session are little evidence of a repair if the fault paused for whole
sessions before, and much if it never did.
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


def ln_probability(before: Sequence[Session], after: Sequence[Session]) -> float:
    """Return ln of the probability of what followed a course.

    The rate is that of the last session before; a session that goes on has the rate that it had.
    """
    end_ns = before[-1].start_ns if before else 0
    return _ln_evidence(join(before, after), end_ns) - _ln_evidence(before, end_ns)


def join(before: Sequence[Session], after: Sequence[Session]) -> list[Session]:
    """Return both courses as one; the first session after may continue the last before."""
    if not before or not after or before[-1].start_ns != after[0].start_ns:
        return [*before, *after]
    middle = Session(
        after[0].start_ns,
        before[-1].transmissions + after[0].transmissions,
        before[-1].signs + after[0].signs,
    )
    return [*before[:-1], middle, *after[1:]]


def _ln_evidence(sessions: Sequence[Session], end_ns: int) -> float:
    """Return ln of the density of the signs in sessions; growth ends at a time."""
    ages = np.array([max(end_ns - session.start_ns, 0) / DAY_NS for session in sessions])
    ln = PRIOR + _ln_density(sessions, RATES[..., None] * np.exp(-GROWTHS[:, None] * ages))
    most = float(ln.max())
    return most + math.log(float(np.exp(ln - most).sum()))


def _ln_density(sessions: Sequence[Session], rates: Floats) -> Floats:
    """Return ln of the density of the signs in sessions at rates (16, 1, 4, sessions)."""
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
