"""Alarms: the fault that explains each, or a new one, at once or after a second sign."""

from __future__ import annotations

from collections.abc import Sequence

from logger.faults import evidence, ports, usual, words
from logger.faults.book import Book
from logger.faults.memory import FaultMemory, Levels
from logger.faults.signature import (
    BRIEF_NS,
    LATE,
    OF_CONTACT,
    OF_LEVEL,
    OF_SWR,
    TYPICAL,
    Signature,
    explains_alarm,
    is_cold_off,
    is_over,
    is_same_heat,
    is_second,
    is_weak,
    signature_of,
)
from logger.faults.transmission import reflection
from logger.rows import (
    AlarmChange,
    AlarmKind,
    FaultChangeKind,
    FaultFamily,
    FaultState,
    Severity,
    family_of,
)
from logger.utc import DAY_NS

GAP_NS = 7 * DAY_NS  # excursions further apart are not of one trouble


class Joining:
    """Puts alarms to the faults in a book."""

    def __init__(self, book: Book) -> None:
        self._book, self.memory = book, book.memory

    def raise_(self, row: AlarmChange) -> FaultMemory | None:
        """Process an alarm; return its fault, None if that needs a second sign."""
        fault = self._explanation(self.memory.faults, row)
        if fault is not None:
            self._join(fault, row)
            return fault
        suspect = self._suspect(row)
        is_alone = is_weak(row) and not (suspect.kinds and is_second(suspect, row))
        _add(suspect, row)
        if is_alone:
            return None
        self.open_suspect(suspect, row.kind, row.time_ns, row.detail)
        return suspect

    def _explanation(self, faults: Sequence[FaultMemory], row: AlarmChange) -> FaultMemory | None:
        """Return the fault that explains an alarm best, if any."""
        candidates = [fault for fault in faults if self._explains(fault, row)]
        return max(candidates, key=lambda fault: _fit(fault, row.kind), default=None)

    def _explains(self, fault: FaultMemory, row: AlarmChange) -> bool:
        """True if an alarm may have the cause of a fault."""
        if fault.is_port and row.value is not None and row.kind in OF_SWR:
            gamma = reflection(row.value) * ports.factor(self.memory.port)
            return evidence.is_level_back(fault, gamma)
        if not (explains_alarm(fault, row.kind, row.time_ns) or is_same_heat(fault, row)):
            return False
        is_new_heat = row.kind == AlarmKind.HEATING_JOINT and row.kind not in fault.kinds
        return not (is_new_heat and is_cold_off(fault))

    def _join(self, fault: FaultMemory, row: AlarmChange) -> None:
        """Process a further alarm of a fault."""
        rises = row.severity == Severity.CRITICAL != fault.severity
        if fault.state == FaultState.VERIFYING and row.kind == AlarmKind.SUDDEN_CHANGE:
            # The repair moves the level, too; and one of these does not decide.
            fault.alarms += 1
            fault.raised[row.kind] = row.time_ns
            if row.value is None or not evidence.is_level_back(fault, reflection(row.value)):
                fault.sign_ns = row.time_ns
            return
        is_open = fault.state == FaultState.OPEN
        if fault.state == FaultState.QUIET and signature_of(fault) == Signature.UNDECIDED:
            # Its few signs may have been of something else.
            evidence.forget(fault, self._levels_before(row.kind))
        _add(fault, row)
        detail = row.detail
        is_other = row.kind == AlarmKind.HEATING_JOINT and fault.family == FaultFamily.INSTRUMENT
        if is_other:
            fault.family = FaultFamily.FEEDLINE
            detail = words.of_load(detail, recovered=not is_open)
        if not is_open:
            self._book.return_(fault, row.time_ns, detail)
        elif is_other:
            text = words.corrected(detail)
            self._book.change(fault, FaultChangeKind.EXPLAINED, row.time_ns, text)
        elif rises:
            text = words.worsened(fault, row.detail)
            self._book.change(fault, FaultChangeKind.WORSENED, row.time_ns, text)

    def _suspect(self, row: AlarmChange) -> FaultMemory:
        """Return the warnings that an alarm may belong to, or begin anew."""
        memory = self.memory
        memory.suspects = [item for item in memory.suspects if not is_over(item, row.time_ns)]
        suspect = self._explanation(memory.suspects, row)
        if suspect is None:
            suspect = FaultMemory(
                opened_ns=row.time_ns,
                first_ns=_first_ns(row),
                family=family_of(row.kind),
                severity=row.severity,
                sign_ns=row.time_ns,
                detail=row.detail,
                before=self._levels_before(row.kind),
            )
            memory.suspects.append(suspect)
        return suspect

    def open_suspect(self, fault: FaultMemory, kind: AlarmKind, time_ns: int, detail: str) -> None:
        """Open a fault of warnings."""
        self.memory.suspects.remove(fault)
        fault.opened_ns = time_ns
        fault.first_ns, early = self._first_sign(kind, fault.first_ns)
        fault.breaks = early
        self._book.open(fault, time_ns, words.opened(fault, detail, early))

    def _levels_before(self, kind: AlarmKind) -> Levels:
        """Return the levels before the trouble that an alarm reports, perhaps days later.

        They may be those of another fault; a changed port is corrected for.
        """
        memory = self.memory
        is_late = kind in (*LATE, AlarmKind.DETECTOR_FAULT)
        levels = usual.levels(memory) if is_late else dict(memory.levels)
        for fault in memory.faults:
            if fault.state == FaultState.OPEN and not fault.is_port:
                levels |= {
                    name: item for name, item in fault.during.items() if evidence.is_known(item)
                }
        return levels

    def _first_sign(self, kind: AlarmKind, first_ns: int) -> tuple[int, int]:
        """Return the time of the first sign of a fault, and the number of excursions before."""
        loose, early = self.memory.loose, 0
        if kind not in OF_CONTACT:
            return first_ns, early
        while loose and loose[-1] > self.memory.work_ns and first_ns - loose[-1] < GAP_NS:
            first_ns = min(first_ns, loose.pop())
            early += 1
        return first_ns, early

    def clear(self, row: AlarmChange) -> FaultMemory | None:
        """Process the end of an alarm; return its fault, if any."""
        for fault in [*self.memory.faults, *self.memory.suspects]:
            if row.kind in fault.raised:
                raised_ns = fault.raised.pop(row.kind)
                fault.cleared_ns = max(fault.cleared_ns, row.time_ns)
                fault.brief += row.kind in OF_LEVEL and row.time_ns - raised_ns < BRIEF_NS
                return None if fault in self.memory.suspects else fault
        return None


def _first_ns(row: AlarmChange) -> int:
    """Return the time from which excursions may be of the trouble that an alarm reports."""
    is_contact = row.kind in OF_CONTACT and row.start_ns is not None
    return min(row.start_ns or 0, row.time_ns) if is_contact else row.time_ns


def _add(fault: FaultMemory, row: AlarmChange) -> None:
    """Add an alarm to the signs of a fault."""
    fault.alarms += 1
    if row.severity == Severity.CRITICAL:
        fault.severity = row.severity
    if row.kind not in fault.kinds:
        fault.kinds.append(row.kind)
    fault.raised[row.kind] = row.time_ns
    fault.sign_ns = max(fault.sign_ns, row.time_ns)


def _fit(fault: FaultMemory, kind: AlarmKind) -> tuple[bool, bool, bool, int]:
    """Sort key of faults that may explain an alarm: the best is the highest."""
    is_typical = kind in fault.kinds or kind in TYPICAL[signature_of(fault)]
    is_own = fault.family == family_of(kind)
    return fault.state == FaultState.OPEN, is_own, is_typical, fault.sign_ns
