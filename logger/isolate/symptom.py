"""The first reading of an isolation session, with everything connected, and the symptom. Pure."""

from __future__ import annotations

from typing import NamedTuple

from logger.isolate.chain import Symptom
from logger.isolate.reading import too_high, too_low
from logger.isolate.session import IsolationState, TrialOutcome
from logger.isolate.usual import UsualSwr
from logger.live.carrier import SwrReading


class FirstReading(NamedTuple):
    """How the present SWR compares with the usual one; `is_high` is None if only slightly so."""

    is_high: bool | None
    is_low: bool

    @property
    def symptom(self) -> Symptom | None:
        """The symptom, None if the user must be asked."""
        return Symptom.HIGH if self.is_high else None

    @property
    def offered(self) -> list[Symptom | None]:
        """What may be wrong if the SWR does not tell; None: nothing at the moment."""
        choices = [None, Symptom.UPSTREAM, Symptom.WEAK, Symptom.LOWER, Symptom.LESS]
        return [*choices, Symptom.HIGH] if self.is_high is None else choices


def record(state: IsolationState, swr: SwrReading, usual: UsualSwr) -> FirstReading:
    """Record the first reading and the usual SWR in the state."""
    if state.usual_swr is None:
        state.usual_swr = usual.highest
    state.lowest_usual_swr = usual.lowest
    state.as_is = TrialOutcome("as-is", True, *swr)
    return compare(state, swr)


def compare(state: IsolationState, swr: SwrReading) -> FirstReading:
    """Compare a reading with the usual SWR, which must be known."""
    assert state.usual_swr is not None
    return FirstReading(too_high(swr, state.usual_swr), too_low(swr, state.lowest_usual_swr))


def question(state: IsolationState, first: FirstReading) -> str:
    """Return the question what is wrong."""
    if first.is_low:
        return (
            f"That is lower than usual (usual: {state.lowest_usual_swr:.2f} or more). That is not"
            " always good: a dead detector and a wet line hide reflection. What is wrong?"
        )
    return (
        f"That is {'only slightly' if first.is_high is None else 'no'} more than usual (usual:"
        f" {state.usual_swr:.2f} or less; if yours is lower, start again with `mismatchd isolate"
        " --usual`). What is wrong?"
    )
