"""The probable cause of a fault, as stored with it and stated in its summary."""

from __future__ import annotations

from typing import NamedTuple

from logger.cautions import Place
from logger.diagnosis.rules import BY_NAME, NOTHING, STATED
from logger.diagnosis.scoring import Diagnosis
from logger.rows import FaultEvent, FaultState
from logger.store.faults import Faults
from logger.wording import likely

NEXT_CHECK = {
    Place.LOOK: "the next check needs no tools",
    Place.SHACK: "the next check is at the radio",
    Place.MAINS: "the next check is at the power supply",
    Place.OUTSIDE: "the next check is outdoors",
}


class Explanation(NamedTuple):
    """Stable name of a cause, its probability, a summary; `is_clear` if the cause is likely."""

    cause: str | None
    probability: float | None
    summary: str
    is_clear: bool


def explain(diagnosis: Diagnosis, figures: str, explained: str | None) -> Explanation:
    """Return what a diagnosis says about a fault.

    figures    summary of the fault without a cause
    explained  cause that was likely before, if any; only another likely cause replaces it
    """
    cause = diagnosis.likely_cause
    is_clear = cause is not None
    if cause is None:
        cause = explained or next(iter(diagnosis.odds), NOTHING)  # the likeliest is first
    if cause == NOTHING:
        return Explanation(None, None, figures, False)
    probability = diagnosis.odds.get(cause, 0.0)
    if is_clear or (explained and probability >= STATED):
        first = BY_NAME[cause]
        place = NEXT_CHECK[first.checks[0].place]
        figures = f"{likely(probability).capitalize()} {first.title}; {place}. {figures}"
    return Explanation(cause, probability, figures, is_clear)


def store_explanation(faults: Faults, fault_id: int, diagnosis: Diagnosis) -> FaultEvent | None:
    """Store what a diagnosis says about a fault, if it is still open. Raise StoreError, UsageError.

    Return the change `explained` if the cause has become clear, or is another one than before.
    """
    with faults.database.transaction():
        if faults.fault(fault_id).state != FaultState.OPEN:
            return None
        cause, probability, summary, is_clear = explain(
            diagnosis, faults.figures(fault_id), faults.explained_cause(fault_id)
        )
        return faults.explain(
            fault_id,
            cause,
            probability,
            summary,
            faults.latest_ns(fault_id),
            is_clear=is_clear,
        )
