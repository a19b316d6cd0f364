"""Which joint moves the reflection: by how many of its moments something departed.

A moment is a stretch of time with the key down. Those in which something departed are counted for
each joint against those of the joints ranked below it, and against the time with hands off, by
Fisher's exact test (R. A. Fisher, Statistical Methods for Research Workers, 1934). Against joints
the chance counts as often as there are joints: the best of six is not to be named for being the
best. A joint is named where it stands out from both: any joint moves the cable, wind the antenna.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb

NAMED = 0.95


@dataclass(frozen=True)
class Tally:
    """What was seen while a joint was moved, or with hands off."""

    name: str
    moments: int = 0  # in which the reflection could be read,
    departed: int = 0  # and in which it departed
    excursions: int = 0
    moved: float = 0.0  # the largest departure of each of these, added up
    seconds: float = 0.0


@dataclass(frozen=True)
class Ranked:
    """A joint with the confidence (0 to 1) that it moves more than chance would have it."""

    tally: Tally
    confidence: float

    @property
    def named(self) -> bool:
        """Whether this joint may be called loose."""
        return self.confidence >= NAMED


def fisher(one: Tally, other: Tally) -> float:
    """The chance of so many or more departures in `one`, were both alike; 1 without moments."""
    moments, departed = one.moments + other.moments, one.departed + other.departed
    most = min(departed, one.moments)
    ways = sum(
        comb(departed, k) * comb(moments - departed, one.moments - k)
        for k in range(one.departed, most + 1)
        if one.moments - k <= moments - departed
    )
    return ways / comb(moments, one.moments)


def ranking(joints: Sequence[Tally], hands_off: Tally) -> list[Ranked]:
    """The joints, the most suspicious first."""
    order = sorted(joints, key=lambda one: one.moved / max(1, one.moments), reverse=True)
    ranked: list[Ranked] = []
    for place, joint in enumerate(order):
        below = _together(order[place + 1 :])
        chance = max(len(order) * fisher(joint, below), fisher(joint, hands_off))
        confidence = max(0.0, 1 - chance)
        if ranked:  # no more sure than the one above
            confidence = min(confidence, ranked[-1].confidence)
        ranked.append(Ranked(joint, confidence))
    return ranked


def _together(tallies: Sequence[Tally]) -> Tally:
    return Tally("", sum(each.moments for each in tallies), sum(each.departed for each in tallies))
