"""How often a fault shows itself, and what its silence tells.

A contact shows itself in some transmissions, more often in some sessions than in others (wind,
heat), and as a rule more often from day to day. So signs are a Poisson process over transmissions
whose rate in a session is drawn from a gamma distribution; its mean grows exponentially. Mean at
the last session, shape and growth are uncertain: they have a prior over a grid. So the clean
transmissions of one calm session are little evidence of a repair if the fault paused for whole
sessions before, and much if it never did. Where the wind is known, sessions of the same wind are
expected to differ less.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from logger.blocks import Floats
from logger.faults.memory import Session
from logger.utc import DAY_NS

RATES = np.geomspace(0.003, 3.0, 16)[:, None, None, None]  # signs per transmission
SHAPES = np.array([0.1, 0.3, 1.0, 3.0, 10.0, 100.0])  # small: sessions differ much
GROWTHS = np.array([0.0, 0.1, 0.2, 0.4])  # a day
SHAPE = SHAPES[:, None, None]
PRIOR = 0.5, 1.0  # power of the shape in its prior: if the wind is unknown, known
GROWS_ON_DAYS = 3.0  # after the last session before
CALM_M_S = np.array([1.5, 2.5, 3.5, 4.5, 5.5])  # mean wind below which a contact hardly moves
SOFT_M_S = 0.3  # width of that limit
SAME_M_S = 1.0  # of winds of one session


def share(sessions: Sequence[Session]) -> float:
    """Return the share of transmissions with a sign."""
    signs = sum(session.signs for session in sessions)
    return (signs + 0.5) / (sum(session.transmissions for session in sessions) + 1)


def ln_probability(before: Sequence[Session], after: Sequence[Session]) -> float:
    """Return ln of the probability of what followed a course.

    The rate grows on from the last session before; a session that goes on has the rate it had.
    """
    end_ns = before[-1].start_ns if before else 0
    both = join(before, after)
    known = [session.wind_m_s for session in both if session.wind_m_s is not None]
    usual_m_s = math.fsum(known) / len(known) if known else None
    return _ln_evidence(both, end_ns, usual_m_s) - _ln_evidence(before, end_ns, usual_m_s)


def join(before: Sequence[Session], after: Sequence[Session]) -> list[Session]:
    """Return both courses as one; a session after may continue one before."""
    sessions = {_key(session): session for session in before}
    for session in after:
        key = _key(session)
        sessions[key] = sessions[key].extended(session) if key in sessions else session
    return list(sessions.values())


def _key(session: Session) -> tuple[int, str, int | None]:
    """Return what tells a session from others: also the wind, since a contact may wait for it."""
    wind = None if session.wind_m_s is None else round(session.wind_m_s / SAME_M_S)
    return session.start_ns, session.channel, wind


def _ln_evidence(sessions: Sequence[Session], end_ns: int, usual_m_s: float | None) -> float:
    """Return ln of the density of the signs in sessions; growth ends some days after a time.

    usual_m_s  wind of sessions in which it was not measured, None if it never was
    """
    ages = np.array([(end_ns - session.start_ns) / DAY_NS for session in sessions])
    ages = np.maximum(ages, -GROWS_ON_DAYS)
    growth = np.exp(-GROWTHS[:, None, None] * ages)
    winds = np.array([usual_m_s if s.wind_m_s is None else s.wind_m_s for s in sessions], float)
    prior = PRIOR[usual_m_s is not None] * np.log(SHAPE)  # but for a constant
    ln = prior + _ln_density(sessions, RATES[..., None] * growth * _response(winds))
    most = float(ln.max())
    return most + math.log(float(np.exp(ln - most).mean()))


def _response(winds: Floats) -> Floats:
    """Return the factors of the rate in winds (n,), m/s, by limit: (6, n), or (1, n) if unknown."""
    steady = np.ones((1, len(winds)))
    if not len(winds) or np.isnan(winds[0]):
        return steady
    above = SOFT_M_S * np.logaddexp(0.0, (winds - CALM_M_S[:, None]) / SOFT_M_S)
    return np.concatenate([steady, above])


def _ln_density(sessions: Sequence[Session], rates: Floats) -> Floats:
    """Return ln of the density of the signs in sessions at rates (16, 1, 4, 6 or 1, sessions)."""
    signs = np.array([session.signs for session in sessions], dtype=np.float64)
    exposure = np.array([session.transmissions for session in sessions], dtype=np.float64)
    bursts = [
        sum(math.lgamma(shape + n) - math.lgamma(shape) - n * math.log(shape) for n in signs)
        for shape in SHAPES
    ]
    shape = SHAPE[..., None]
    silence = (shape + signs) * np.log1p(rates * exposure / shape)
    return np.asarray(
        np.reshape(bursts, SHAPE.shape) + np.log(rates) @ signs - silence.sum(axis=-1)
    )
