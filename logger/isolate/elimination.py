"""Bayesian elimination over a handful of faults. Pure functions over numpy.

A trial is a table (h, o): the chance of each outcome with each hypothesis; rows sum to 1.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from logger.blocks import Floats

Places = NDArray[np.int64]


def posterior(prior: Floats, likelihoods: Sequence[Floats]) -> Floats:
    """How likely each fault is, (h,), after outcomes that were as likely as told, each (h,)."""
    # In logarithms, so that many outcomes cannot make all of it vanish.
    ln = np.log(prior) + sum(np.log(each) for each in likelihoods)
    weight = np.exp(ln - ln.max())
    return np.asarray(weight / weight.sum())


def by_part(odds: Floats, part: Places) -> Floats:
    """Odds of faults added up by the part (h,) that each is in, numbered from 0."""
    return np.bincount(part, weights=odds).astype(np.float64)


def entropy(odds: Floats) -> float:
    """Of odds (n,) that add up to 1, bits."""
    there = odds[odds > 0]
    return float(-(there * np.log2(there)).sum())


def gain(odds: Floats, table: Floats, part: Places) -> float:
    """The information that a trial is expected to give of which part it is, bits, >= 0: the mutual
    information of part and outcome (C. E. Shannon, A Mathematical Theory of Communication, 1948).
    Odds need not add up to 1: it is as much less."""
    total = odds.sum()
    if total <= 0:
        return 0.0
    joint = np.stack([by_part(odds * column, part) for column in table.T], axis=1) / total
    parts, outcomes = joint.sum(axis=1), joint.sum(axis=0)
    bits = entropy(parts) + entropy(outcomes) - entropy(joint.ravel())
    return max(0.0, float(bits * total))


def best(gains: Sequence[float], minutes: Sequence[float], least: float) -> int | None:
    """The place of the trial with the most bits a minute among those of `least` bits and more."""
    worth = [
        (bits / cost, -place)
        for place, (bits, cost) in enumerate(zip(gains, minutes, strict=True))
        if bits >= least
    ]
    return -max(worth)[1] if worth else None
