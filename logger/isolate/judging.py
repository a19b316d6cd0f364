"""Outcome of a trial that the coupler reads, from the SWR of its carrier. Pure functions."""

from __future__ import annotations

from logger.isolate.chain import Symptom
from logger.isolate.reading import OPEN_PORT_SWR, least_of_open_end, load_reads, sound
from logger.isolate.session import IsolationSession, TrialOutcome
from logger.isolate.trial import Trial
from logger.isolate.usual import UNKNOWN_SWR
from logger.live.carrier import SwrReading

REFLECTS_ALL = ("open-end", "open-port")  # at low power only


def sound_swr(
    session: IsolationSession, trial: Trial, worst_leak: float, line_db: float | None
) -> float:
    """Return the SWR limit of a sound chain: a minimum if an end is open or SWR is too low.

    worst_leak    of the coupler
    line_db       highest published loss of the line, None if unknown
    """
    state = session.state
    if trial.kind == "load":
        return load_reads(worst_leak)
    if trial.kind == "open-end":
        return least_of_open_end(line_db)
    if trial.kind == "open-port":
        return OPEN_PORT_SWR
    if state.symptom is Symptom.LOWER and state.lowest_usual_swr:
        return state.lowest_usual_swr
    return state.usual_swr or UNKNOWN_SWR


def judge(
    session: IsolationSession, trial: Trial, swr: SwrReading | None, limit: float
) -> TrialOutcome | None:
    """Return the outcome of a carrier; None if it is not readable or lies between.

    swr      None below the readable floor
    limit    of a sound chain, see `sound_swr`
    """
    symptom, as_is = session.state.symptom, session.state.as_is
    if symptom is Symptom.NONE:
        return TrialOutcome(trial.key, False, *(swr or ()))
    if swr is None:
        return None
    if trial.kind in REFLECTS_ALL:
        return TrialOutcome(trial.key, swr.high < limit, *swr)
    before = None if as_is is None else as_is.reading
    good = None if before is None else sound(swr, limit, before, lower=symptom is Symptom.LOWER)
    return None if good is None else TrialOutcome(trial.key, not good, *swr)
