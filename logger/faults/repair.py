"""Verification of a repair by the transmissions that follow it.

The sequential test (A. Wald, Sequential Analysis, 1947) compares them with the recurrence of the
fault before (`recurrence`) and with a sound station. Where the level moved, that since the repair
is also compared with those before the fault and just before the repair, which tells at once. Some
channels may be no worse for the fault, and little power heats no joint: a trial is a transmission
like those that showed it.
"""

from __future__ import annotations

import bisect
import math
from enum import Enum

from logger.faults import evidence
from logger.faults.memory import FaultMemory, Session
from logger.faults.signature import OF_LEVEL, Signature, is_shift, signature_of
from logger.faults.transmission import level_of, power_of
from logger.rows import AlarmKind, FaultFamily, FaultState, Transmission
from logger.utc import DAY_NS

SOUND = 0.005  # share of transmissions with a sign at a sound station
# Of the test: fixed although it is not, back although it is fixed. Its bar is 0.02; half of that
# leaves room for what the model of recurrence leaves out (gusts, wind measured an hour ago).
ERROR = 0.01
DECIDED = math.log((1 - ERROR) / ERROR)
AGAINST = 1.0  # log odds of what points the other way, at most
LEAST = 10  # clean transmissions needed whatever the rate
UNENDING = 1000  # the number needed is not searched beyond
LEAST_POWER = 0.5  # of that of transmissions with signs
LEVEL_TRIALS = 50  # transmissions since the repair after which a level that is still off counts


class Verdict(Enum):
    """What the transmissions since a repair show."""

    FIXED = "fixed"
    SIGNS = "signs as before"
    LEVEL = "level not as before the fault"


def begin(fault: FaultMemory, work_ns: int) -> None:
    """Begin to verify a repair."""
    if fault.state != FaultState.VERIFYING:  # else that was counted for another repair
        evidence.adopt(fault)
    fault.state, fault.work_ns = FaultState.VERIFYING, work_ns
    fault.recent, fault.after, fault.peaks, fault.clean = [], {}, {}, 0


def judge(fault: FaultMemory, row: Transmission, trial: Session) -> Verdict | None:
    """Return what the transmissions since the repair show, up to this one; None if not yet known.

    trial  the transmission as a part of its session
    """
    assert fault.work_ns is not None
    if row.start_ns < fault.work_ns:
        return None
    if fault.family == FaultFamily.INSTRUMENT and any(
        raised_ns >= fault.work_ns for raised_ns in fault.raised.values()
    ):
        trial.signs = 1
    passes = signature_of(fault) == Signature.PASSING
    if not (trial.signs or passes or is_trial(fault, *power_of(row))):
        return None
    evidence.count(fault, trial)
    if row.swr is not None:
        evidence.learn_level(fault.after, *level_of(row, row.swr))
    by_signs = score(fault)
    by_level = evidence.ln_level_odds(fault) if evidence.shows_in_level(fault) else 0.0
    if by_level <= -DECIDED and fault.trials >= LEAST:
        return Verdict.LEVEL
    if by_signs <= -DECIDED:
        if not is_shift(fault, row.end_ns):
            return Verdict.SIGNS
        return Verdict.LEVEL if evidence.worst_levels(fault) is not None else None
    odds = max(by_signs, by_level) if min(by_signs, by_level) > -AGAINST else 0.0
    if odds < DECIDED or fault.clean < LEAST or fault.raised:
        return None
    is_level_back = evidence.compare_level(fault)
    if is_level_back or signature_of(fault) != Signature.STANDING:
        return Verdict.FIXED
    return Verdict.LEVEL if is_level_back is False and fault.trials >= LEVEL_TRIALS else None


def is_trial(fault: FaultMemory, channel: str, watts: float) -> bool:
    """True if a transmission is like those that showed the fault, so that it would show it."""
    # A channel whose level had hardly moved before the work says little about it.
    tried = evidence.moved_on(fault) or tried_on(fault)
    if evidence.shows_in_level(fault) and channel not in tried:
        return False
    if not depends_on_power(fault):
        return True
    shown = fault.shown.get(channel)
    if shown is None:
        return AlarmKind.HEATING_JOINT not in fault.kinds
    return watts >= LEAST_POWER * shown.mean


def depends_on_power(fault: FaultMemory) -> bool:
    """True if less power may hide the fault: what moves the level of a load may be heat."""
    may_be_heat = evidence.shows_in_level(fault) or AlarmKind.HEATING_JOINT in fault.kinds
    return fault.family == FaultFamily.FEEDLINE and may_be_heat


def tried_on(fault: FaultMemory) -> list[str]:
    """Return the channels on which the fault would show again at once.

    A limit is exceeded at once, and a level is off at once, as it was just before the repair. Other
    alarms, which work clears, may need days to be raised again.
    """
    is_limit = any(kind in OF_LEVEL for kind in fault.kinds)
    shown = [name for name in evidence.shown_on(fault) if is_limit or name in fault.during]
    return list(dict.fromkeys([*shown, *evidence.moved_on(fault)]))


def score(fault: FaultMemory, more: int = 0) -> float:
    """Return the log odds of fixed against not, after `more` further clean transmissions."""
    trials, signs = fault.trials + more, fault.relapses
    sound = signs * math.log(SOUND) + (trials - signs) * math.log1p(-SOUND)
    further = _clean_sessions(fault, more)
    return sound - evidence.ln_probability(fault, [*fault.recent, *further])


def needed(fault: FaultMemory) -> int | None:
    """Return how many more clean transmissions would prove a repair, None if too many."""
    least = max(LEAST - fault.clean, 0)
    if evidence.shows_in_level(fault) and evidence.moved_on(fault):
        return least
    number = bisect.bisect_left(
        range(UNENDING), DECIDED, lo=least, key=lambda more: score(fault, more)
    )
    return number if number < UNENDING else None


def sessions_of(fault: FaultMemory, transmissions: int) -> int:
    """Return how many sessions of the usual size so many transmissions are."""
    return -(-transmissions // _usual_size(fault))


def least_watts(fault: FaultMemory) -> float | None:
    """Return the incident power from which on transmissions count, None if any does."""
    watts = [fault.shown[name].mean for name in tried_on(fault) if name in fault.shown]
    return LEAST_POWER * max(watts) if watts and depends_on_power(fault) else None


def _usual_size(fault: FaultMemory) -> int:
    """Return the usual number of transmissions in a session."""
    starts = {session.start_ns for session in fault.sessions}
    total = sum(session.transmissions for session in fault.sessions)
    return max(round(total / max(len(starts), 1)), 1)


def _clean_sessions(fault: FaultMemory, transmissions: int) -> list[Session]:
    """Return sessions of the usual size without signs, one a day."""
    usual = _usual_size(fault)
    sizes = [usual] * (transmissions // usual)
    if transmissions % usual:
        sizes.append(transmissions % usual)
    channel = next(iter(tried_on(fault)), "")
    start_ns = max([fault.work_ns or 0, *(item.start_ns for item in fault.sessions)])
    return [
        Session(start_ns + 1 + number * DAY_NS, size, channel=channel)
        for number, size in enumerate(sizes)
    ]
