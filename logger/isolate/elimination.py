"""Bayesian elimination of faults. Pure functions over numpy.

A trial is a table (h, o): the probability of each outcome with each hypothesis; rows sum to 1.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from logger.blocks import Floats

Places = NDArray[np.int64]


def posterior(prior: Floats, likelihoods: Sequence[Floats]) -> Floats:
    """Return the posterior of each hypothesis, (h,), by the likelihoods of outcomes, (h,) each."""
    # Logarithms, so that many outcomes cannot underflow.
    ln = np.log(prior) + sum(np.log(likelihood) for likelihood in likelihoods)
    weight = np.exp(ln - ln.max())
    return np.asarray(weight / weight.sum())


def by_part(odds: Floats, part: Places) -> Floats:
    """Return the probabilities of faults summed by part; `part` (h,) is numbered from 0."""
    return np.bincount(part, weights=odds).astype(np.float64)


def entropy(odds: Floats) -> float:
    """Return the entropy of probabilities (n,) that sum to 1, bits."""
    positive = odds[odds > 0]
    return float(-(positive * np.log2(positive)).sum())


def gain(odds: Floats, table: Floats, part: Places) -> float:
    """Return the expected information of a trial about the faulty part, bits, >= 0.

    It is the mutual information of part and outcome (C. E. Shannon, A Mathematical Theory of
    Communication, 1948). If `odds` sum to less than 1, it is less in proportion.
    """
    total = odds.sum()
    if total <= 0:
        return 0.0
    joint = np.stack([by_part(odds * column, part) for column in table.T], axis=1) / total
    parts, outcomes = joint.sum(axis=1), joint.sum(axis=0)
    bits = entropy(parts) + entropy(outcomes) - entropy(joint.ravel())
    return max(0.0, float(bits * total))


def best(gains: Sequence[float], minutes: Sequence[float], least: float) -> int | None:
    """Return the index of the trial with the most bits per minute, of `least` bits and more."""
    worth = [
        (bits / cost, -place)
        for place, (bits, cost) in enumerate(zip(gains, minutes, strict=True))
        if bits >= least
    ]
    return -max(worth)[1] if worth else None
