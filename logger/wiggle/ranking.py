"""Ranks joints by the share of moments in which the reflection departed.

A moment is a stretch of time with the key down. The moments with a departure are compared for each
joint with those of the joints ranked below it, and with the time with hands off, by Fisher's exact
test (R. A. Fisher, Statistical Methods for Research Workers, 1934). In the comparison with joints
the probability is multiplied by their number: the best of six must not be named just for being the
best. A joint is named if it stands out from both, as moving any joint moves the cable, and wind
moves the antenna.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb

NAMED = 0.95


@dataclass(frozen=True)
class Tally:
    """Counts for one joint, or for hands off."""

    name: str
    moments: int = 0  # with a readable reflection,
    departed: int = 0  # and with a departure
    excursions: int = 0
    moved: float = 0.0  # sum of the largest departure of each of these
    seconds: float = 0.0


@dataclass(frozen=True)
class Ranked:
    """Joint with the confidence (0 to 1) that it moves the reflection."""

    tally: Tally
    confidence: float

    @property
    def named(self) -> bool:
        """True if this joint may be called loose."""
        return self.confidence >= NAMED


def fisher(joint: Tally, other: Tally) -> float:
    """Return the probability of at least the departures in `joint` if both were alike.

    1 without moments.
    """
    moments, departed = joint.moments + other.moments, joint.departed + other.departed
    most = min(departed, joint.moments)
    favourable = sum(
        comb(departed, k) * comb(moments - departed, joint.moments - k)
        for k in range(joint.departed, most + 1)
        if joint.moments - k <= moments - departed
    )
    return favourable / comb(moments, joint.moments)


def ranking(joints: Sequence[Tally], hands_off: Tally) -> list[Ranked]:
    """Return the joints, the most suspect first."""
    order = sorted(joints, key=lambda joint: joint.moved / max(1, joint.moments), reverse=True)
    ranked: list[Ranked] = []
    for place, joint in enumerate(order):
        rest = order[place + 1 :]
        below = Tally("", sum(t.moments for t in rest), sum(t.departed for t in rest))
        chance = max(len(order) * fisher(joint, below), fisher(joint, hands_off))
        confidence = max(0.0, 1 - chance)
        if ranked:  # no more certain than the one above
            confidence = min(confidence, ranked[-1].confidence)
        ranked.append(Ranked(joint, confidence))
    return ranked
