"""State machine of faults: alarms open them, transmissions and work in the journal move them on.

Alarms take effect at once. Excursions, which are certain only some time after they happened, take
effect when their transmission has ended; so nothing depends on how the pairs were cut into blocks.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterable, Mapping, Sequence
from typing import TypeGuard

import msgspec

from logger.config.load import FaultsOptions
from logger.faults import evidence, ports, repair, usual, words
from logger.faults.book import Book
from logger.faults.joining import Joining
from logger.faults.memory import KIND, Break, FaultMemory, Session, TrackerMemory, Wind
from logger.faults.shifts import Shifts
from logger.faults.signature import OF_LEVEL, PAUSE_NS, Signature, explains_excursion, signature_of
from logger.faults.transmission import channel_of, level_of, power_of, reflection
from logger.rows import (
    AlarmChange,
    AlarmKind,
    ChangeKind,
    Excursion,
    FaultChange,
    FaultChangeKind,
    FaultFamily,
    FaultState,
    Memory,
    Row,
    SecondRows,
    Transmission,
    WeatherRow,
)
from logger.utc import DAY_NS, UNIT_NS
from logger.watchdog.course import Course
from logger.watchdog.rule import recalled

NEVER_NS = 1 << 62
BACK_NS = UNIT_NS["h"]  # data, or plausible readings, must have been back for so long
STEADY_NS = 3 * DAY_NS  # data must have been back for so long to close the fault
SESSION_NS = DAY_NS // 2  # longest session
COLD_NS = 3 * UNIT_NS["m"]  # of rest, after which joints are cold
MOST_WINDS = 8
WIND_NS = 3 * UNIT_NS["h"]  # for which a measurement of the wind is used
MOST_LOOSE, MOST_PENDING = 200, 5000

Input = AlarmChange | Excursion | Transmission | WeatherRow


class FaultTracker:
    """The faults of a station; starts with what `memories` hold."""

    def __init__(self, options: FaultsOptions, memories: Mapping[str, bytes] | None = None) -> None:
        self.memory = recalled(KIND, memories or {}, TrackerMemory)
        self._book = Book(self.memory)
        self._joining = Joining(self._book)
        self._shifts = Shifts(self._book, self._joining)
        self._days = options.close_after_days
        self._work_ns: list[int] = []
        self._checks: list[tuple[int, int]] = []
        self._courses: dict[int, Course] = {}  # of transmissions that have not ended, by start
        self._written = b""

    def know_work(self, times_ns: Iterable[int]) -> None:
        """Set all times at which the station was repaired or adjusted, from the journal."""
        self._work_ns = sorted(times_ns)

    def know_checks(self, spans_ns: Iterable[tuple[int, int]]) -> None:
        """Set begin and end of all open ends keyed to check the coupler."""
        self._checks = list(spans_ns)

    def update(self, rows: Sequence[Row], now_ns: int) -> list[Row]:
        """Process the next rows, up to the time `now_ns`.

        Return them with the faults that alarms and excursions belong to, with the changes of
        faults, each before the row that caused it and openings before all, since other rows may
        refer to the fault, and with the memory if it has changed.
        """
        for row in rows:
            if isinstance(row, SecondRows):
                course = self._courses.setdefault(row.start_ns, Course(row.start_ns))
                course.extend(row, reflection)
        inputs = sorted(
            ((index, row) for index, row in enumerate(rows) if _is_input(row)),
            key=lambda item: _place(item[1]),
        )
        if not inputs and now_ns < self._due()[0]:
            return list(rows)
        output: dict[int, list[Row]] = {}
        opened: list[FaultChange] = []
        for index, row in inputs:
            self._book.changes = []
            self._advance(_place(row)[0])
            marked = self._process(row)
            changes = self._book.changes
            opened += (item for item in changes if item.change == FaultChangeKind.OPENED)
            changes = [item for item in changes if item.change != FaultChangeKind.OPENED]
            output[index] = [*changes, marked]
        self._book.changes = []
        self._advance(now_ns)
        updated = [item for index, row in enumerate(rows) for item in output.get(index, [row])]
        return [*opened, *updated, *self._book.changes, *self._save()]

    def _save(self) -> list[Memory]:
        content = msgspec.json.encode(self.memory)
        if content == self._written:
            return []
        self._written = content
        return [Memory(KIND, content)]

    def _process(self, row: Input) -> Row:
        if isinstance(row, AlarmChange):
            fault = (
                self._joining.raise_(row)
                if row.change == ChangeKind.RAISED
                else self._joining.clear(row)
            )
            return row if fault is None else _marked(row, fault)
        if isinstance(row, Excursion):
            pending = self.memory.pending
            item = Break(row.time_ns, reflection(row.swr_peak))
            if item not in pending and len(pending) < MOST_PENDING:
                bisect.insort(pending, item)
            owners = [fault for fault in self.memory.faults if explains_excursion(fault, item)]
            return _marked(row, max(owners, key=_contact)) if owners else row
        if isinstance(row, Transmission):
            self._end(row)
        elif row.wind_m_s is not None:
            winds = [*self.memory.winds, Wind(row.time_ns, row.wind_m_s)]
            self.memory.winds = winds[-MOST_WINDS:]
        return row

    # Transmissions.

    def _end(self, row: Transmission) -> None:
        """Process an ended transmission, with the excursions within it."""
        memory = self.memory
        course = self._courses.pop(row.start_ns, Course(row.start_ns))
        self._courses = {
            start: item for start, item in self._courses.items() if start > row.start_ns
        }
        rest_ns = row.start_ns - memory.ended_ns
        has_paused = row.start_ns - memory.ended_ns > PAUSE_NS
        if has_paused or row.start_ns - memory.session_ns > SESSION_NS:
            memory.session_ns = row.start_ns
        memory.ended_ns = row.end_ns
        past = bisect.bisect_right(memory.pending, row.end_ns, key=lambda item: item.time_ns)
        excursions, memory.pending = memory.pending[:past], memory.pending[past:]
        if row.swr is not None and not excursions:
            self._shifts.watch_port(row, row.swr)
        owned: dict[int, list[Break]] = {}  # by opening of the fault
        for item in excursions:
            owner = self._owner(item)
            if owner is None:
                memory.loose = [*memory.loose, item.time_ns][-MOST_LOOSE:]
            else:
                owned.setdefault(owner.opened_ns, []).append(item)
        sound = ports.corrected(memory.port, row)
        for fault in list(memory.faults):
            self._judge(fault, row if fault.is_port else sound, owned.get(fault.opened_ns, []))
        if not excursions and rest_ns >= COLD_NS:
            for fault in list(memory.faults):
                self._shifts.compare_cold(fault, row, course)
        for suspect in list(memory.suspects):
            self._shifts.confirm(suspect, sound)
        if sound.swr is not None and not excursions:
            self._shifts.follow(sound, *level_of(sound, sound.swr))

    def _owner(self, item: Break) -> FaultMemory | None:
        """Return the fault of an excursion, as the store has it."""
        faults, time_ns = self.memory.faults, item.time_ns
        owners = [fault for fault in faults if explains_excursion(fault, item)]
        if owners:
            return max(owners, key=_contact)
        early = [
            fault
            for fault in faults
            if fault.family == FaultFamily.FEEDLINE and fault.first_ns <= time_ns <= fault.opened_ns
        ]
        return min(early, key=lambda fault: fault.opened_ns) if early else None

    def _judge(self, fault: FaultMemory, row: Transmission, excursions: Sequence[Break]) -> None:
        """Move a fault on by a transmission and its excursions."""
        if fault.family == FaultFamily.NO_DATA:
            return
        if fault.state == FaultState.QUIET and excursions:
            self._book.return_(fault, row.end_ns, words.breaks(len(excursions)))
        fault.breaks += len(excursions)
        fault.sign_ns = max([fault.sign_ns, *(item.time_ns for item in excursions)])
        self._shifts.part(fault, row, excursions)
        if not excursions:
            self._shifts.part_level(fault, row)
        is_off = any(kind in fault.raised for kind in OF_LEVEL) or fault.cleared_ns > row.end_ns
        fault.held += is_off
        self._shifts.compare_level(fault, row)
        # An alarm may be raised just after the transmission that caused it.
        is_new = fault.sign_ns > max(fault.counted_ns, fault.work_ns or 0)
        has_sign = is_off or is_new or fault.is_shifted
        fault.counted_ns = row.end_ns
        if not has_sign and evidence.is_elsewhere(fault, row.antenna):
            return
        if fault.state == FaultState.VERIFYING:
            self._verify(fault, row, self._trial(row, has_sign=has_sign))
            return
        if row.swr is not None and not excursions:
            evidence.learn_latest(fault, *level_of(row, row.swr))
        is_raised = any(kind != AlarmKind.INTERMITTENT_CONTACT for kind in fault.raised)
        # Work clears an alarm of heat, which may need days to be raised again: that it is open is
        # no sign of each transmission.
        is_sign = is_raised and list(fault.raised) != [AlarmKind.HEATING_JOINT]
        evidence.count(fault, self._trial(row, has_sign=has_sign or is_sign))
        has_sign |= is_raised
        if has_sign:
            if row.antenna is not None and row.antenna not in fault.antennas:
                fault.antennas.append(row.antenna)
            evidence.adopt(fault)
            evidence.learn_level(fault.shown, *power_of(row))
            fault.after = {}
            return
        if self._is_of_check(fault):
            self._book.close(fault, row.end_ns, words.of_check())
            return
        if row.swr is not None:
            evidence.learn_level(fault.after, *level_of(row, row.swr))
        if (
            fault.state == FaultState.OPEN
            and fault.family == FaultFamily.FEEDLINE
            and not fault.raised
            and evidence.is_silent(fault, row.end_ns)
            and not (_stands(fault) and evidence.compare_level(fault) is False)
        ):
            fault.state = FaultState.QUIET
            self._book.change(fault, FaultChangeKind.QUIET, row.end_ns, words.quiet(fault))

    def _verify(self, fault: FaultMemory, row: Transmission, trial: Session) -> None:
        """Close or return a fault if the transmissions since a repair decide."""
        verdict = repair.judge(fault, row, trial)
        if verdict == repair.Verdict.FIXED:
            self._book.close(fault, row.end_ns, words.fixed(fault))
        elif verdict is not None:
            self._book.return_(fault, row.end_ns, words.not_fixed(fault, verdict))

    def _is_of_check(self, fault: FaultMemory) -> bool:
        """True if the only signs were those of an open end, keyed to check the coupler."""
        return fault.held <= 1 and any(
            begin_ns <= fault.first_ns and fault.sign_ns <= end_ns
            for begin_ns, end_ns in self._checks
        )

    def _trial(self, row: Transmission, *, has_sign: bool) -> Session:
        """Return a transmission as a part of its session."""
        # Later measurements may have come, but only if a hang time ended late enough.
        winds = [
            wind.m_s for wind in self.memory.winds if 0 <= row.start_ns - wind.time_ns < WIND_NS
        ]
        wind_m_s = winds[-1] if winds else None
        return Session(self.memory.session_ns, 1, int(has_sign), wind_m_s, channel_of(row))

    # Times without a row.

    def _advance(self, to_ns: int) -> None:
        """Process time limits up to a time, and work before it: rows of that time come first."""
        while True:
            due_ns, fault = self._due()
            if due_ns > to_ns or (fault is None and due_ns == to_ns):
                return
            if fault is None:
                self._work(due_ns)
            elif fault.state == FaultState.OPEN:
                fault.state = FaultState.QUIET
                self._book.change(fault, FaultChangeKind.QUIET, due_ns, words.quiet(fault))
            elif fault.family == FaultFamily.NO_DATA:
                self._book.close(fault, due_ns, words.data_back(fault))
            else:
                self._book.close(fault, due_ns, words.forgotten(fault, self._days))

    def _due(self) -> tuple[int, FaultMemory | None]:
        """Return the next time with something to do: for a fault, or for work (None)."""
        due_ns: int = NEVER_NS
        due_fault = None
        for fault in self.memory.faults:
            limit_ns = self._limit(fault)
            if limit_ns < due_ns:
                due_ns, due_fault = limit_ns, fault
        place = bisect.bisect_right(self._work_ns, self.memory.work_ns)
        if place < len(self._work_ns) and self._work_ns[place] <= due_ns:
            return self._work_ns[place], None
        return due_ns, due_fault

    def _limit(self, fault: FaultMemory) -> int:
        if fault.raised or fault.is_shifted:
            return NEVER_NS
        if fault.family == FaultFamily.NO_DATA and fault.state == FaultState.QUIET:
            return fault.cleared_ns + STEADY_NS
        if fault.state != FaultState.OPEN:
            return max(fault.last_ns, fault.changed_ns) + self._days * DAY_NS
        if fault.family == FaultFamily.FEEDLINE:
            return NEVER_NS
        return fault.cleared_ns + BACK_NS

    def _work(self, work_ns: int) -> None:
        """Begin to verify the faults that have shown no sign since this repair or adjustment."""
        self.memory.work_ns = work_ns
        self.memory.suspects = []  # work changes levels
        usual.forget(self.memory, work_ns)
        for fault in self.memory.faults:
            if fault.family == FaultFamily.NO_DATA or fault.sign_ns >= work_ns:
                continue
            repair.begin(fault, work_ns)
            self._book.change(fault, FaultChangeKind.REPAIRED, work_ns, words.repaired(fault))


def _is_input(row: Row) -> TypeGuard[Input]:
    return isinstance(row, AlarmChange | Excursion | WeatherRow) or (
        isinstance(row, Transmission) and row.ended
    )


def _place(row: Input) -> tuple[int, int]:
    """Sort key of input rows: a transmission follows everything within it."""
    if isinstance(row, Transmission):
        return row.end_ns, 1
    return row.time_ns, 0


def _marked(row: AlarmChange | Excursion, fault: FaultMemory) -> Row:
    return msgspec.structs.replace(row, fault_ns=fault.opened_ns)


def _contact(fault: FaultMemory) -> tuple[bool, bool, int]:
    """Sort key of faults that may explain an excursion."""
    return bool(fault.crowds), signature_of(fault) == Signature.PASSING, fault.opened_ns


def _stands(fault: FaultMemory) -> bool:
    return signature_of(fault) == Signature.STANDING
