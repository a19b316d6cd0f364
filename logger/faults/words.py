"""Summaries of faults at the moment of a change, in one or two sentences."""

from __future__ import annotations

import math
from datetime import timedelta

from logger.faults import evidence, repair
from logger.faults.memory import FaultMemory
from logger.faults.recurrence import share
from logger.faults.repair import Verdict
from logger.faults.signature import STEADY
from logger.rows import CORRECTED, FaultFamily
from logger.utc import DAY_NS, EPOCH
from logger.wording import count

MONTHS = ["Jan", "Feb", "March", "April", "May", "June", "July", "Aug", "Sept", "Oct", "Nov", "Dec"]
SUBJECTS = {
    FaultFamily.FEEDLINE: "Feedline or antenna",
    FaultFamily.INSTRUMENT: "Instrument",
    FaultFamily.NO_DATA: "No data",
}


def date(time_ns: int) -> str:
    """Return a UTC date as in "10 Sept"."""
    day = EPOCH + timedelta(microseconds=time_ns // 1000)
    return f"{day.day} {MONTHS[day.month - 1]}"


def clock(time_ns: int) -> str:
    """Return a UTC date and time as in "10 Sept 19:04 UTC"."""
    time = EPOCH + timedelta(microseconds=time_ns // 1000)
    return f"{date(time_ns)} {time:%H:%M} UTC"


def opened(fault: FaultMemory, detail: str, early: int) -> str:
    """Return the summary of a fault that opens, after `early` excursions."""
    before = ""
    if early:
        same_day = fault.first_ns // DAY_NS == fault.opened_ns // DAY_NS
        since = clock(fault.first_ns) if same_day else date(fault.first_ns)
        before = f"; {count(early, 'excursion')} before, since {since}"
    return f"{SUBJECTS.get(fault.family, fault.family)}: {detail}{before}"


def lasting(fault: FaultMemory) -> str:
    """Detail of an opening by a level that has not returned."""
    return f"{fault.detail}; unchanged {count(fault.held, 'transmission')} later"


def off(channel: str, gamma: float, usual: float) -> str:
    """Detail of a level that stays off the usual one."""
    where = f" on channel {channel}" if channel.isdigit() else ""
    return f"SWR {_swr(gamma):.2f} instead of {_swr(usual):.2f}{where}"


def moved(fault: FaultMemory, detail: str, transmissions: int, contact: FaultMemory | None) -> str:
    """Return the summary of a fault that opens by its level alone, perhaps beside a contact."""
    since = f"in {count(transmissions, 'transmission')} since {date(fault.first_ns)}"
    beside = ""
    if contact is not None:
        left = f"left the level as it was in {count(contact.steady, 'transmission')}"
        reason = left if contact.steady >= STEADY else "would have raised it"
        beside = f"; not the contact of {date(contact.opened_ns)}, which {reason}"
    return f"{SUBJECTS[fault.family]}: {detail} {since}{beside}"


def port(ln_w: float) -> str:
    """Detail of a change of the forward port; incident power is off by `ln_w`."""
    gain = "lost" if ln_w < 0 else "gained"
    return (
        f"incident power reads {math.exp(ln_w):.2g} times what it was, at the same reflected power:"
        f" the forward port of the coupler has {gain} gain, so SWR reads too"
        f" {'high' if ln_w < 0 else 'low'}"
    )


def corrected(detail: str) -> str:
    """Return the summary of a fault of the instrument that was told as one of the feedline."""
    return f"{CORRECTED}: {detail}"


def of_load(detail: str, *, recovered: bool) -> str:
    """Detail of a fault of the feedline that was told as one of the instrument."""
    reason = ", since readings had recovered" if recovered else ""
    return f"feedline or antenna, not instrument{reason}: {detail}"


def parted(fault: FaultMemory, first: float, second: float) -> str:
    """Return the summary of a fault of a second contact, told as one fault so far."""
    return (
        f"{SUBJECTS[fault.family]}: a contact opens to an SWR of about {_swr(second):.2g}, another"
        f" one than that of the fault of {date(fault.opened_ns)}, which opens to about"
        f" {_swr(first):.2g}; they were reported as one fault"
    )


def beside_level(fault: FaultMemory) -> str:
    """Return the summary of a fault of a contact beside a level, told as one fault so far."""
    return (
        f"{SUBJECTS[fault.family]}: a contact breaks, another cause than that of the fault of"
        f" {date(fault.opened_ns)}, whose level stayed the same in"
        f" {count(fault.stood, 'transmission')} between {count(fault.breaks, 'excursion')};"
        " they were reported as one fault"
    )


def beside_heat(fault: FaultMemory) -> str:
    """Return the summary of a fault of a joint beside another cause, told as one fault so far."""
    return (
        f"{SUBJECTS[FaultFamily.FEEDLINE]}: a joint heats up while the key is down, another cause"
        f" than that of the fault of {date(fault.opened_ns)}, since the level is off also when"
        f" {count(max(fault.colds.values()), 'transmission')} began after a rest; they were"
        " reported as one fault"
    )


def worsened(fault: FaultMemory, detail: str) -> str:
    return f"Critical now: {detail}; {_signs(fault)} since {date(fault.first_ns)}"


def quiet(fault: FaultMemory) -> str:
    if fault.family == FaultFamily.NO_DATA:
        return data_back(fault)
    if fault.family == FaultFamily.INSTRUMENT:
        return f"Readings have been plausible since {clock(fault.cleared_ns)}; the cause is unknown"
    return (
        f"No sign in {count(fault.clean, 'transmission')} since {date(fault.last_ns)}; before that,"
        f" {_share(fault)} had one. Not repaired: intermittent faults can pause"
    )


def repaired(fault: FaultMemory) -> str:
    assert fault.work_ns is not None
    number = repair.needed(fault)
    if number is None:
        confirmation = (
            "transmissions cannot confirm the repair, as signs were too rare, paused for too long,"
            " or did not show in the level"
        )
    else:
        confirmation = (
            f"{count(number, 'transmission')}{_where(fault)}{_conditions(fault, number)} without a"
            " sign will confirm the repair"
        )
    return f"Work noted on {date(fault.work_ns)}, after {_signs(fault)}; {confirmation}"


def _conditions(fault: FaultMemory, number: int) -> str:
    """Return what else the transmissions must be like to confirm the repair, in words."""
    watts = repair.least_watts(fault)
    power = "" if watts is None else f" at {watts:.2g} W or more"
    sessions = repair.sessions_of(fault, number)
    days = f", on {sessions} days or more," if sessions > 1 else ""
    return power + days


def _where(fault: FaultMemory) -> str:
    """Return the channels whose level can confirm the repair, in words."""
    names = sorted(repair.tried_on(fault), key=len) if evidence.shows_in_level(fault) else []
    if not names or len(names) > 3 or not all(name.isdigit() for name in names):
        return ""
    return f" on channel {' or '.join(names)}"


def returned(fault: FaultMemory, detail: str) -> str:
    if fault.family == FaultFamily.NO_DATA:
        return f"The fault is back; data had arrived since {clock(fault.cleared_ns)}: {detail}"
    if fault.work_ns is not None:
        since = f"{count(fault.trials, 'transmission')} after the work on {date(fault.work_ns)}"
    elif fault.clean:
        since = f"{count(fault.clean, 'transmission')} after its last sign on {date(fault.last_ns)}"
    else:
        since = f"after its last sign on {date(fault.last_ns)}"
    return f"The fault is back, {since}: {detail}"


def breaks(number: int) -> str:
    """Detail of a return that excursions showed."""
    return f"{count(number, 'excursion')} in one transmission"


def not_fixed(fault: FaultMemory, verdict: Verdict) -> str:
    """Detail of a return that the transmissions since the work showed."""
    if verdict == Verdict.SIGNS:
        return f"signs in {fault.relapses} of {count(fault.trials, 'transmission')} since then"
    levels = evidence.worst_levels(fault)
    assert levels is not None
    before, after = map(_swr, levels)
    return f"SWR {after:.2f}; before the fault it was {before:.2f}"


def fixed(fault: FaultMemory) -> str:
    assert fault.work_ns is not None
    levels = evidence.worst_levels(fault)
    level = ""
    if levels is not None and evidence.compare_level(fault):
        before, after = map(_swr, levels)
        level = f", SWR {after:.2f} " + (
            "as before" if after > before - 0.05 else f"instead of {before:.2f}"
        )
    sign = "excursions" if fault.breaks else "signs"
    signs = f"{sign} in {fault.relapses}" if fault.relapses else f"no {sign}"
    return (
        f"{count(fault.trials, 'transmission')} since the repair on {date(fault.work_ns)}:"
        f" {signs}{level}. Fixed ({100 * (1 - repair.ERROR):.0f} %)"
    )


def forgotten(fault: FaultMemory, days: int) -> str:
    return f"No sign for {count(days, 'day')} and {count(fault.clean, 'transmission')}"


def of_check() -> str:
    """Return the summary of a fault whose signs came from a check of the coupler."""
    return "The only sign was the open end keyed to check the coupler"


def data_back(fault: FaultMemory) -> str:
    alarms = f", after {count(fault.alarms, 'interruption')}" if fault.alarms > 1 else ""
    return f"Data have arrived again since {clock(fault.cleared_ns)}{alarms}"


def _signs(fault: FaultMemory) -> str:
    alarms = count(fault.alarms, "alarm")
    return f"{alarms} and {count(fault.breaks, 'excursion')}" if fault.breaks else alarms


def _share(fault: FaultMemory) -> str:
    every = round(1 / share(fault.sessions))
    return f"one transmission in {every}" if every > 1 else "most transmissions"


def _swr(gamma: float) -> float:
    return (1 + gamma) / max(1 - gamma, 1e-3)
