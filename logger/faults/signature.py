"""What a trouble of the feedline looks like, and which further alarms the same cause explains.

An alarm tells little when it is raised: a loose plug and a wet one both begin with `high-swr`.
Signs that come soon after the first therefore belong to one fault; later the signature decides.
"""

from __future__ import annotations

from enum import Enum

from logger.faults.memory import FaultMemory
from logger.rows import AlarmKind, FaultFamily, FaultState
from logger.utc import DAY_NS

FAMILIES = {
    AlarmKind.DETECTOR_FAULT: FaultFamily.INSTRUMENT,
    AlarmKind.NO_DATA: FaultFamily.NO_DATA,
}
YOUNG_NS = 3 * DAY_NS  # signs this soon after the first are of one cause
BRIEF_NS = 10_000_000_000  # an alarm that clears within this time was of a passing trouble,
BRIEF = 2  # if so many did,
BREAKS = 3  # or so many excursions were seen
HELD = 2  # transmissions outlasted by an alarm of the level: the trouble stands

# Alarms of the level of single pairs: open means that the trouble is present.
OF_LEVEL = (AlarmKind.HIGH_SWR, AlarmKind.HIGH_REFLECTED_POWER)
ABRUPT = (*OF_LEVEL, AlarmKind.SUDDEN_CHANGE)
# Alarms that excursions may precede.
OF_CONTACT = (*ABRUPT, AlarmKind.INTERMITTENT_CONTACT)


class Signature(Enum):
    """Course of a trouble."""

    UNDECIDED = "undecided"
    PASSING = "passing"
    STANDING = "standing"
    HEATING = "heating"


# Alarms that are typical of a signature; a passing or undecided fault that is open explains all.
TYPICAL = {
    Signature.UNDECIDED: OF_CONTACT,
    Signature.PASSING: OF_CONTACT,
    Signature.STANDING: (*ABRUPT, AlarmKind.BASELINE_SHIFT, AlarmKind.HEATING_JOINT),
    Signature.HEATING: (*ABRUPT, AlarmKind.BASELINE_SHIFT, AlarmKind.HEATING_JOINT),
}
EXPLAINS_ALL = (Signature.UNDECIDED, Signature.PASSING)


def family_of(kind: AlarmKind) -> FaultFamily:
    """Return the family of the faults of a kind of alarm."""
    return FAMILIES.get(kind, FaultFamily.FEEDLINE)


def signature_of(fault: FaultMemory) -> Signature:
    """Return the signature that the signs of a feedline fault make up so far."""
    if AlarmKind.INTERMITTENT_CONTACT in fault.kinds or fault.breaks >= BREAKS:
        return Signature.PASSING
    if AlarmKind.BASELINE_SHIFT in fault.kinds or fault.held >= HELD:
        return Signature.STANDING
    if AlarmKind.HEATING_JOINT in fault.kinds:
        return Signature.HEATING
    return Signature.PASSING if fault.brief >= BRIEF else Signature.UNDECIDED


def explains_alarm(fault: FaultMemory, kind: AlarmKind, time_ns: int) -> bool:
    """True if an alarm raised at a time may have the cause of this fault."""
    if family_of(kind) != fault.family:
        return False
    if fault.family != FaultFamily.FEEDLINE or kind in fault.kinds:
        return True
    signature = signature_of(fault)
    if fault.state == FaultState.OPEN and (
        signature in EXPLAINS_ALL or time_ns - fault.opened_ns < YOUNG_NS
    ):
        return True
    return kind in TYPICAL[signature]


def explains_excursion(fault: FaultMemory, time_ns: int) -> bool:
    """True if an excursion at a time may have the cause of this fault, opened before."""
    if fault.family != FaultFamily.FEEDLINE or time_ns <= fault.opened_ns:
        return False
    return signature_of(fault) in EXPLAINS_ALL or time_ns - fault.opened_ns < YOUNG_NS
