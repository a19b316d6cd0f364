"""Levels and powers of transmissions: faults that they show, and which fault is which."""

from __future__ import annotations

from collections.abc import Sequence

from logger.faults import contacts, evidence, ports, usual, words
from logger.faults.book import Book, may_move_level
from logger.faults.joining import Joining
from logger.faults.memory import Break, FaultMemory, Run, Test
from logger.faults.signature import (
    Signature,
    explains_level,
    is_cold_off,
    is_shift,
    may_move_cold,
    signature_of,
)
from logger.faults.transmission import channel_of, level_of
from logger.rows import AlarmKind, FaultChangeKind, FaultFamily, FaultState, Severity, Transmission
from logger.watchdog.course import Course
from logger.watchdog.detector_fault.suspicion import Suspicion, suspicion_of

STOOD = 20  # transmissions without excursions at a level that moved,
LEAST_BREAKS = 5  # and excursions between them


class Shifts:
    """Finds faults by the levels of transmissions."""

    def __init__(self, book: Book, joining: Joining) -> None:
        self._book, self._joining, self.memory = book, joining, book.memory

    def watch_port(self, row: Transmission, swr: float) -> None:
        """Process what the power of a transmission without excursions tells of the forward port."""
        memory = self.memory
        is_suspected = any(
            AlarmKind.DETECTOR_FAULT in suspect.raised
            and suspicion_of(suspect.detail) == Suspicion.FORWARD
            for suspect in memory.suspects
        )
        cold = [fault.before for fault in memory.faults if _is_heating(fault)]
        test = ports.judge(
            memory.port, row, *level_of(row, swr), cold=cold, is_suspected=is_suspected
        )
        if test is None:
            return
        memory.runs = {}
        detail = words.port(test.ln_w)
        fault = self._fault_of_port(test, row.end_ns, detail)
        if fault.state != FaultState.OPEN:
            self._book.return_(fault, row.end_ns, detail)
        fault.is_port = fault.is_lasting = True
        fault.sign_ns = max(fault.sign_ns, row.end_ns)

    def _fault_of_port(self, test: Test, time_ns: int, detail: str) -> FaultMemory:
        """Return the fault that a changed port is: one of the instrument, or one taken for another.

        It is opened if there is none.
        """
        memory = self.memory
        own = [fault for fault in memory.faults if fault.family == FaultFamily.INSTRUMENT]
        if own:
            return max(own, key=lambda fault: fault.state == FaultState.OPEN)
        loads = [
            fault
            for fault in memory.faults
            if fault.family == FaultFamily.FEEDLINE and fault.state == FaultState.OPEN
        ]
        for fault in loads:
            if ports.explains(memory.port, fault, test.since_ns):
                fault.family = FaultFamily.INSTRUMENT
                text = words.corrected(detail)
                self._book.change(fault, FaultChangeKind.EXPLAINED, time_ns, text)
                return fault
        time_ns = self._book.free_ns(time_ns)
        for suspect in memory.suspects:
            if suspect.family == FaultFamily.INSTRUMENT:
                self._joining.open_suspect(suspect, suspect.kinds[0], time_ns, detail)
                return suspect
        levels = memory.port.latest.gammas if loads else usual.levels(memory)
        fault = FaultMemory(
            opened_ns=time_ns,
            first_ns=test.since_ns,
            family=FaultFamily.INSTRUMENT,
            severity=Severity.WARNING,
            sign_ns=time_ns,
            before=dict(levels),
        )
        self._book.open(fault, time_ns, words.opened(fault, detail, 0))
        return fault

    def follow(self, row: Transmission, channel: str, gamma: float) -> None:
        """Compare the level of a transmission without excursions with the usual one; learn it."""
        faults = self.memory.faults
        run = usual.compare(self.memory, channel, gamma, row.start_ns)
        if run is not None:
            if usual.is_lasting(run, row.end_ns):
                self._last(run, row, channel, gamma)
            return
        for fault in faults:
            fault.steady += not fault.is_lasting
        if not any(may_move_level(fault) for fault in faults):
            usual.learn(self.memory, channel, gamma, row.end_ns)

    def _move(self, since_ns: int, time_ns: int, detail: str, *, is_lower: bool = False) -> bool:
        """Add a level that has stayed off since then to the fault that explains it, if any does."""
        faults = [f for f in self.memory.faults if explains_level(f, since_ns, is_lower=is_lower)]
        if not faults:
            return False
        fault = max(faults, key=lambda fault: (fault.state == FaultState.OPEN, fault.sign_ns))
        if fault.state == FaultState.QUIET:
            if fault.family == FaultFamily.INSTRUMENT:
                fault.family = FaultFamily.FEEDLINE
                detail = words.of_load(detail, recovered=True)
            if signature_of(fault) == Signature.UNDECIDED:
                evidence.forget(fault, usual.levels(self.memory))
            fault.sign_ns = time_ns
            self._book.return_(fault, time_ns, detail)
        fault.is_lasting |= fault.family == FaultFamily.FEEDLINE
        return True

    def _last(self, run: Run, row: Transmission, channel: str, gamma: float) -> None:
        """Process a level that stays off: a sign of some fault, or a fault of its own."""
        memory, time_ns = self.memory, self._book.free_ns(row.end_ns)
        before = usual.levels(memory)
        detail = words.off(channel, gamma, before[channel].mean)
        for fault in memory.faults:
            fault.peaks = {}  # the level moves them, too
        if self._move(run.since_ns, time_ns, detail, is_lower=run.side < 0):
            return
        fault = FaultMemory(
            opened_ns=time_ns,
            first_ns=run.since_ns,
            family=FaultFamily.FEEDLINE,
            severity=Severity.WARNING,
            sign_ns=time_ns,
            is_lasting=True,
            before=before,
        )
        passing = (item for item in memory.faults if signature_of(item) == Signature.PASSING)
        text = words.moved(fault, detail, run.transmissions, next(passing, None))
        self._book.open(fault, time_ns, text)

    def confirm(self, suspect: FaultMemory, row: Transmission) -> None:
        """Open a fault of warnings whose level stays off."""
        self.compare_level(suspect, row)
        suspect.held = suspect.held + 1 if suspect.is_shifted else 0
        if suspect.held < evidence.LASTING:
            return
        if self._move(suspect.first_ns, row.end_ns, suspect.detail):
            self.memory.suspects.remove(suspect)
        else:
            time_ns = self._book.free_ns(row.end_ns)
            self._joining.open_suspect(suspect, suspect.kinds[0], time_ns, words.lasting(suspect))

    def part(self, fault: FaultMemory, row: Transmission, excursions: Sequence[Break]) -> None:
        """Open a fault of its own for a second contact among the excursions of a fault."""
        if not excursions or any(other.crowds for other in self.memory.faults):
            return
        peaks = fault.peaks.setdefault(channel_of(row), [0] * contacts.BINS)
        for item in excursions:
            peaks[contacts.bin_of(item.gamma)] += 1
        places = contacts.crowds(peaks)
        if len(places) < 2 or fault.state != FaultState.OPEN:
            return
        first, second = (contacts.gamma_of(place) for place in places[:2])
        self._open_contact(fault, row, [second], words.parted(fault, first, second))

    def part_level(self, fault: FaultMemory, row: Transmission) -> None:
        """Open a fault of its own for a contact that leaves a level that moved as it is."""
        if (
            fault.breaks < LEAST_BREAKS
            or fault.state != FaultState.OPEN
            or row.swr is None
            or not evidence.stands(fault, *level_of(row, row.swr))
        ):
            return
        fault.stood += 1
        if fault.stood < STOOD or AlarmKind.INTERMITTENT_CONTACT not in fault.kinds:
            return
        others = (other for other in self.memory.faults if other is not fault)
        if any(f.family == FaultFamily.FEEDLINE and f.state == FaultState.OPEN for f in others):
            return  # the contact may be that one
        contact = self._open_contact(fault, row, [], words.beside_level(fault))
        contact.breaks, contact.steady, fault.breaks = fault.breaks, fault.stood, 0
        _hand_over(AlarmKind.INTERMITTENT_CONTACT, fault, contact)

    def compare_cold(self, fault: FaultMemory, row: Transmission, course: Course) -> None:
        """Compare the level with which a transmission begins after a rest with that before a fault.

        What heat does is then over, and what another cause does is not.
        """
        if fault.state != FaultState.OPEN or fault.family == FaultFamily.NO_DATA or row.swr is None:
            return
        channel = channel_of(row)
        before = fault.before.get(channel)
        if before is None or not evidence.is_known(before):
            return
        gamma = evidence.cold_level(course, before.mean)
        if gamma is None:
            return
        if not fault.is_port:
            gamma *= ports.factor(self.memory.port)
        evidence.learn_level(fault.cold, channel, gamma, evidence.LATEST_FADES)
        is_usual = evidence.is_usual(before, gamma)
        fault.colds[channel] = 0 if is_usual else fault.colds.get(channel, 0) + 1
        if is_cold_off(fault) and AlarmKind.HEATING_JOINT in fault.kinds:
            self._part_heat(fault, row)

    def _part_heat(self, fault: FaultMemory, row: Transmission) -> None:
        """Open a fault of its own for a joint that heats up beside another cause."""
        others = (other for other in self.memory.faults if other is not fault)
        if any(other.state == FaultState.OPEN and may_move_cold(other) for other in others):
            return  # which explains the level
        time_ns = self._book.free_ns(row.end_ns)
        joint = FaultMemory(
            opened_ns=time_ns,
            first_ns=time_ns,
            family=FaultFamily.FEEDLINE,
            severity=Severity.WARNING,
            sign_ns=time_ns,
            before=evidence.moved_levels(fault),
        )
        _hand_over(AlarmKind.HEATING_JOINT, fault, joint)
        self._book.open(joint, time_ns, words.beside_heat(fault))

    def _open_contact(
        self, fault: FaultMemory, row: Transmission, crowds: list[float], summary: str
    ) -> FaultMemory:
        """Open a fault of a contact whose signs were told as those of another fault."""
        time_ns = self._book.free_ns(row.end_ns)
        contact = FaultMemory(
            opened_ns=time_ns,
            first_ns=time_ns,
            family=fault.family,
            severity=fault.severity,
            sign_ns=time_ns,
            breaks=contacts.LEAST,
            before=fault.before,
            crowds=crowds,
        )
        self._book.open(contact, time_ns, summary)
        return contact

    def compare_level(self, fault: FaultMemory, row: Transmission) -> None:
        """Find out whether the level of a transmission is a sign of the fault."""
        if row.swr is None:
            return
        channel, gamma = level_of(row, row.swr)
        was_shifted, is_open = fault.is_shifted, fault.state == FaultState.OPEN
        fault.is_shifted = (is_open and fault.is_port and self.memory.port.ln_w is not None) or (
            fault.state != FaultState.QUIET
            and is_shift(fault, row.end_ns)
            and evidence.is_off_level(fault, channel, gamma)
        )
        if fault.is_shifted and is_open:
            evidence.learn_level(fault.during, channel, gamma)
        if was_shifted and not fault.is_shifted:
            fault.cleared_ns = max(fault.cleared_ns, row.end_ns)


def _hand_over(kind: AlarmKind, fault: FaultMemory, other: FaultMemory) -> None:
    """Give the alarms of a kind to another fault; the level is what remains."""
    other.kinds.append(kind)
    fault.kinds.remove(kind)
    if kind in fault.raised:
        other.raised[kind] = fault.raised.pop(kind)
    fault.is_lasting = True


def _is_heating(fault: FaultMemory) -> bool:
    if fault.family != FaultFamily.FEEDLINE or fault.state != FaultState.OPEN:
        return False
    return AlarmKind.HEATING_JOINT in fault.kinds
