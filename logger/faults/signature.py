"""What a trouble of the feedline looks like, and which further alarms the same cause explains.

An alarm tells little when it is raised: a loose plug and a wet one both begin with `high-swr`.
Signs that come soon after the first therefore belong to one fault; later the signature decides.
"""

from __future__ import annotations

from enum import Enum

from logger.faults.contacts import NEAR
from logger.faults.memory import Break, FaultMemory
from logger.rows import AlarmChange, AlarmKind, FaultFamily, FaultState, family_of
from logger.utc import DAY_NS, UNIT_NS
from logger.watchdog.detector_fault.suspicion import Suspicion, suspicion_of

YOUNG_NS = 3 * DAY_NS  # signs this soon after the first are of one cause
LATE_NS = 14 * DAY_NS  # or later, where a rule needs readings of some days
PAUSE_NS = 6 * UNIT_NS["h"]  # between sessions
SUSPECT_NS = 7 * DAY_NS  # a second sign of a mere warning comes within this time
ACTIVE_NS = DAY_NS  # a passing trouble whose last sign is older does not explain another course
BRIEF_NS = 10_000_000_000  # an alarm that clears within this time was of a passing trouble,
BRIEF = 2  # if so many did,
BREAKS = 3  # or so many excursions were seen
HELD = 2  # transmissions outlasted by an alarm of the level: the trouble stands
COLDS = 3  # transmissions in a row that begin off the level after a rest: not by heat
STEADY = 5  # transmissions at the usual level: what moves it later is another trouble

# Alarms of the level of single pairs: open means that the trouble is present.
OF_LEVEL = (AlarmKind.HIGH_SWR, AlarmKind.HIGH_REFLECTED_POWER)
ABRUPT = (*OF_LEVEL, AlarmKind.SUDDEN_CHANGE)
# Alarms of a level that moved, which a detector's gain moves as well as the load, or heat.
OF_SHIFT = (AlarmKind.SUDDEN_CHANGE, AlarmKind.BASELINE_SHIFT)
OF_SWR = (AlarmKind.HIGH_SWR, *OF_SHIFT)  # whose value is an SWR
MOVED = (*OF_SHIFT, AlarmKind.DETECTOR_FAULT, AlarmKind.HEATING_JOINT)
# Alarms that whole transmissions of some days give.
LATE = (AlarmKind.BASELINE_SHIFT, AlarmKind.HEATING_JOINT)
# Alarms that excursions may precede.
OF_CONTACT = (*ABRUPT, AlarmKind.INTERMITTENT_CONTACT)


class Signature(Enum):
    """Course of a trouble."""

    UNDECIDED = "undecided"
    PASSING = "passing"
    STANDING = "standing"
    HEATING = "heating"


# Alarms that are typical of a signature.
TYPICAL = {
    Signature.UNDECIDED: OF_CONTACT,
    Signature.PASSING: OF_CONTACT,
    Signature.STANDING: (*ABRUPT, AlarmKind.BASELINE_SHIFT, AlarmKind.HEATING_JOINT),
    Signature.HEATING: (*ABRUPT, AlarmKind.BASELINE_SHIFT, AlarmKind.HEATING_JOINT),
}
OF_CONTACTS = (Signature.UNDECIDED, Signature.PASSING)  # explain any excursion


def is_weak(row: AlarmChange) -> bool:
    """True if an alarm opens a fault with a second sign only.

    Neighbours, weather and another power setting change a level for seconds to days, too.
    """
    return row.kind == AlarmKind.SUDDEN_CHANGE or (
        row.kind == AlarmKind.DETECTOR_FAULT and suspicion_of(row.detail) is not None
    )


def is_second(suspect: FaultMemory, row: AlarmChange) -> bool:
    """True if an alarm confirms a warning: of another kind, or a sudden change hours later."""
    is_later = row.time_ns - suspect.sign_ns > PAUSE_NS
    return row.kind not in suspect.kinds or (row.kind == AlarmKind.SUDDEN_CHANGE and is_later)


def is_over(suspect: FaultMemory, time_ns: int) -> bool:
    """True if a warning was followed by no second sign in time."""
    return not suspect.raised and time_ns - suspect.last_ns > SUSPECT_NS


def signature_of(fault: FaultMemory) -> Signature:
    """Return the signature that the signs of a feedline fault make up so far."""
    if fault.is_lasting:
        return Signature.STANDING
    if AlarmKind.INTERMITTENT_CONTACT in fault.kinds or fault.breaks >= BREAKS:
        return Signature.PASSING
    if AlarmKind.BASELINE_SHIFT in fault.kinds or fault.held >= HELD:
        return Signature.STANDING
    if AlarmKind.HEATING_JOINT in fault.kinds:
        return Signature.HEATING
    return Signature.PASSING if fault.brief >= BRIEF else Signature.UNDECIDED


def is_cold_off(fault: FaultMemory) -> bool:
    """True if the level has moved also while nothing is warm: not by a joint that heats up."""
    return max(fault.colds.values(), default=0) >= COLDS


def may_move_cold(fault: FaultMemory) -> bool:
    """True if a fault may have moved the level while nothing is warm."""
    is_contact = fault.family == FaultFamily.FEEDLINE and signature_of(fault) == Signature.PASSING
    return fault.family != FaultFamily.NO_DATA and not is_contact


def is_shift(fault: FaultMemory, time_ns: int) -> bool:
    """True if the level, or what is read of it, may have moved, so that each transmission shows it.

    `baseline-shift` confirms a level that stays moved; without it, the level is soon the usual one.
    """
    signature = signature_of(fault)
    is_moved = fault.is_lasting or any(kind in MOVED for kind in fault.kinds)
    if signature == Signature.PASSING or not is_moved:
        return False
    is_recent = time_ns - fault.sign_ns < LATE_NS
    return is_recent or signature == Signature.STANDING or fault.state == FaultState.VERIFYING


def explains_alarm(fault: FaultMemory, kind: AlarmKind, time_ns: int) -> bool:
    """True if an alarm raised at a time may have the cause of this fault."""
    if kind in fault.kinds:
        return True
    if family_of(kind) != fault.family:
        return _is_same_shift(fault, kind, time_ns)
    if fault.family != FaultFamily.FEEDLINE:
        return True
    signature = signature_of(fault)
    if kind in TYPICAL[signature]:
        return True
    if signature == Signature.PASSING:
        return fault.state == FaultState.OPEN and time_ns - fault.last_ns < ACTIVE_NS
    if fault.state == FaultState.VERIFYING:
        return False
    if signature == Signature.UNDECIDED and kind in LATE:
        return time_ns - fault.last_ns < LATE_NS
    return time_ns - fault.opened_ns < YOUNG_NS


def _is_same_shift(fault: FaultMemory, kind: AlarmKind, time_ns: int) -> bool:
    """True if an alarm of another family may report the shift of the level that this fault is.

    A lost gain shifts the level, and water that adds loss looks like a lost gain: both rules
    report the one trouble, days apart if it creeps.
    """
    if fault.family == FaultFamily.INSTRUMENT:
        is_same = fault.state == FaultState.OPEN and kind in OF_SHIFT
    else:
        is_same = (
            fault.state != FaultState.VERIFYING
            and kind == AlarmKind.DETECTOR_FAULT
            and all(own in OF_SHIFT for own in fault.kinds)
        )
    return is_same and time_ns - fault.opened_ns < LATE_NS


def is_same_heat(fault: FaultMemory, row: AlarmChange) -> bool:
    """True if a joint that heats up may be what both a fault and an alarm of another family report.

    It lowers reflection where it improves the match, and that may look like a lost gain.
    """
    if row.kind == AlarmKind.HEATING_JOINT:
        is_same = fault.family == FaultFamily.INSTRUMENT and not fault.is_port
        detail = fault.detail
    else:
        is_same = AlarmKind.HEATING_JOINT in fault.kinds and row.kind == AlarmKind.DETECTOR_FAULT
        detail = row.detail
    is_same &= fault.state != FaultState.VERIFYING and suspicion_of(detail) == Suspicion.LOAD
    return is_same and row.time_ns - fault.last_ns < LATE_NS


def explains_level(fault: FaultMemory, since_ns: int, *, is_lower: bool) -> bool:
    """True if a level that has stayed off since then may have the cause of this fault.

    A contact may also raise the level, but from the beginning: if the level stayed as it was while
    excursions came and went, two causes explain them better than one.
    """
    if fault.family == FaultFamily.NO_DATA or fault.is_port:
        return False
    if fault.family == FaultFamily.INSTRUMENT:
        is_current = fault.state == FaultState.OPEN or may_be_load(fault)
        return is_current and since_ns - fault.sign_ns < LATE_NS
    return signature_of(fault) != Signature.PASSING or (fault.steady < STEADY and not is_lower)


def may_be_load(fault: FaultMemory) -> bool:
    """True if a fault of the instrument went away by itself, as the load does and a gain does not.

    Its alarms only say that either has changed.
    """
    return fault.state == FaultState.QUIET and suspicion_of(fault.detail) == Suspicion.LOAD


def explains_excursion(fault: FaultMemory, item: Break) -> bool:
    """True if an excursion may have the cause of this fault, opened before."""
    if fault.family != FaultFamily.FEEDLINE or item.time_ns <= fault.opened_ns:
        return False
    if fault.crowds:
        return any(abs(item.gamma - gamma) <= NEAR for gamma in fault.crowds)
    return signature_of(fault) in OF_CONTACTS or item.time_ns - fault.opened_ns < YOUNG_NS
