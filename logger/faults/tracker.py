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
from logger.faults import contacts, evidence, ports, repair, usual, words
from logger.faults.memory import KIND, Break, FaultMemory, Levels, Run, Session, TrackerMemory, Wind
from logger.faults.signature import (
    BRIEF_NS,
    LATE,
    OF_CONTACT,
    OF_LEVEL,
    OF_SWR,
    PAUSE_NS,
    TYPICAL,
    Signature,
    explains_alarm,
    explains_excursion,
    explains_level,
    is_over,
    is_second,
    is_shift,
    is_weak,
    signature_of,
)
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
    Severity,
    Transmission,
    WeatherRow,
    family_of,
)
from logger.utc import DAY_NS, UNIT_NS
from logger.watchdog.detector_fault.level import FORWARD
from logger.watchdog.rule import recalled

NEVER_NS = 1 << 62
BACK_NS = UNIT_NS["h"]  # data, or plausible readings, must have been back for so long
STEADY_NS = 3 * DAY_NS  # data must have been back for so long to close the fault
SESSION_NS = DAY_NS // 2  # longest session
MOST_WINDS = 8
WIND_NS = 3 * UNIT_NS["h"]  # for which a measurement of the wind is used
STOOD = 20  # transmissions without excursions at a level that moved
GAP_NS = 7 * DAY_NS  # excursions further apart are not of one trouble
MOST_LOOSE, MOST_PENDING = 200, 5000

Input = AlarmChange | Excursion | Transmission | WeatherRow


class FaultTracker:
    """The faults of a station; starts with what `memories` hold."""

    def __init__(self, options: FaultsOptions, memories: Mapping[str, bytes] | None = None) -> None:
        self.memory = recalled(KIND, memories or {}, TrackerMemory)
        self._days = options.close_after_days
        self._work_ns: list[int] = []
        self._changes: list[FaultChange] = []
        self._written = b""

    def know_work(self, times_ns: Iterable[int]) -> None:
        """Set all times at which the station was repaired or adjusted, from the journal."""
        self._work_ns = sorted(times_ns)

    def update(self, rows: Sequence[Row], now_ns: int) -> list[Row]:
        """Process the next rows, up to the time `now_ns`.

        Return them with the faults that alarms and excursions belong to, with the changes of
        faults, each before the row that caused it and openings before all, since other rows may
        refer to the fault, and with the memory if it has changed.
        """
        inputs = sorted(
            ((index, row) for index, row in enumerate(rows) if _is_input(row)),
            key=lambda item: _place(item[1]),
        )
        if not inputs and now_ns < self._due()[0]:
            return list(rows)
        output: dict[int, list[Row]] = {}
        opened: list[FaultChange] = []
        for index, row in inputs:
            self._changes = []
            self._advance(_place(row)[0])
            marked = self._process(row)
            changes = self._changes
            opened += (item for item in changes if item.change == FaultChangeKind.OPENED)
            changes = [item for item in changes if item.change != FaultChangeKind.OPENED]
            output[index] = [*changes, marked]
        self._changes = []
        self._advance(now_ns)
        updated = [item for index, row in enumerate(rows) for item in output.get(index, [row])]
        return [*opened, *updated, *self._changes, *self._save()]

    def _save(self) -> list[Memory]:
        content = msgspec.json.encode(self.memory)
        if content == self._written:
            return []
        self._written = content
        return [Memory(KIND, content)]

    def _process(self, row: Input) -> Row:
        if isinstance(row, AlarmChange):
            fault = self._raise(row) if row.change == ChangeKind.RAISED else self._clear(row)
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

    # Alarms.

    def _raise(self, row: AlarmChange) -> FaultMemory | None:
        fault = self._explanation(self.memory.faults, row)
        if fault is not None:
            self._join(fault, row)
            return fault
        suspect = self._suspect(row)
        is_alone = is_weak(row) and not (suspect.kinds and is_second(suspect, row))
        _add(suspect, row)
        if is_alone:
            return None
        self._open(suspect, row.kind, row.time_ns, row.detail)
        return suspect

    def _explanation(self, faults: Sequence[FaultMemory], row: AlarmChange) -> FaultMemory | None:
        """Return the fault that explains an alarm best, if any."""
        candidates = [fault for fault in faults if self._explains(fault, row)]
        return max(candidates, key=lambda fault: _fit(fault, row.kind), default=None)

    def _explains(self, fault: FaultMemory, row: AlarmChange) -> bool:
        """True if an alarm may have the cause of a fault."""
        if not fault.is_port or row.value is None or row.kind not in OF_SWR:
            return explains_alarm(fault, row.kind, row.time_ns)
        gamma = reflection(row.value) * ports.factor(self.memory.port)
        return evidence.is_level_back(fault, gamma)

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
        if not is_open:
            self._return(fault, row.time_ns, row.detail)
        elif rises:
            text = words.worsened(fault, row.detail)
            self._change(fault, FaultChangeKind.WORSENED, row.time_ns, text)

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

    def _open(self, fault: FaultMemory, kind: AlarmKind, time_ns: int, detail: str) -> None:
        self.memory.suspects.remove(fault)
        self.memory.faults.append(fault)
        fault.opened_ns = time_ns
        fault.first_ns, early = self._first_sign(kind, fault.first_ns)
        fault.breaks = early
        text = words.opened(fault, detail, early)
        self._change(fault, FaultChangeKind.OPENED, time_ns, text)

    def _levels_before(self, kind: AlarmKind) -> Levels:
        """Return the levels before the trouble that an alarm reports, perhaps days later.

        They may be those of another fault.
        """
        memory = self.memory
        is_late = kind in (*LATE, AlarmKind.DETECTOR_FAULT)
        levels = usual.levels(memory) if is_late else dict(memory.levels)
        for fault in memory.faults:
            if fault.state == FaultState.OPEN:
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

    def _clear(self, row: AlarmChange) -> FaultMemory | None:
        for fault in [*self.memory.faults, *self.memory.suspects]:
            if row.kind in fault.raised:
                raised_ns = fault.raised.pop(row.kind)
                fault.cleared_ns = max(fault.cleared_ns, row.time_ns)
                fault.brief += row.kind in OF_LEVEL and row.time_ns - raised_ns < BRIEF_NS
                return None if fault in self.memory.suspects else fault
        return None

    # Transmissions.

    def _end(self, row: Transmission) -> None:
        """Process an ended transmission, with the excursions within it."""
        memory = self.memory
        has_paused = row.start_ns - memory.ended_ns > PAUSE_NS
        if has_paused or row.start_ns - memory.session_ns > SESSION_NS:
            memory.session_ns = row.start_ns
        memory.ended_ns = row.end_ns
        past = bisect.bisect_right(memory.pending, row.end_ns, key=lambda item: item.time_ns)
        excursions, memory.pending = memory.pending[:past], memory.pending[past:]
        if row.swr is not None and not excursions:
            self._watch_port(row, row.swr)
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
        for suspect in list(memory.suspects):
            self._confirm(suspect, sound)
        if sound.swr is not None and not excursions:
            self._follow(sound, *level_of(sound, sound.swr))

    def _watch_port(self, row: Transmission, swr: float) -> None:
        """Process what incident power tells of the forward port: a fault, or that it is over."""
        memory = self.memory
        is_suspected = any(
            AlarmKind.DETECTOR_FAULT in suspect.raised and FORWARD in suspect.detail
            for suspect in memory.suspects
        )
        test = ports.judge(memory.port, row, *level_of(row, swr), is_suspected=is_suspected)
        if test is None:
            return
        detail = words.port(test.ln_w)
        is_busy = any(
            f.family == FaultFamily.FEEDLINE and f.state == FaultState.OPEN for f in memory.faults
        )
        before = memory.port.latest.gammas if is_busy else usual.levels(memory)
        memory.runs = {}
        own = [f for f in memory.faults if f.family == FaultFamily.INSTRUMENT]
        fault = max(own, key=lambda f: f.state == FaultState.OPEN, default=None)
        if fault is None:
            fault = next(
                (
                    f
                    for f in memory.faults
                    if f.family == FaultFamily.FEEDLINE
                    and f.state == FaultState.OPEN
                    and ports.explains(memory.port, f, test.since_ns)
                ),
                None,
            )
            if fault is not None:
                fault.family = FaultFamily.INSTRUMENT
                self._change(fault, FaultChangeKind.EXPLAINED, row.end_ns, words.corrected(detail))
        if fault is None:
            suspects = (f for f in memory.suspects if f.family == FaultFamily.INSTRUMENT)
            fault = next(suspects, None)
            if fault is not None:
                memory.suspects.remove(fault)
            else:
                fault = FaultMemory(
                    opened_ns=row.end_ns,
                    first_ns=test.since_ns,
                    family=FaultFamily.INSTRUMENT,
                    severity=Severity.WARNING,
                    sign_ns=row.end_ns,
                    before=dict(before),
                )
            fault.opened_ns = self._free_ns(row.end_ns)
            memory.faults.append(fault)
            self._change(
                fault, FaultChangeKind.OPENED, fault.opened_ns, words.opened(fault, detail, 0)
            )
        elif fault.state != FaultState.OPEN:
            self._return(fault, row.end_ns, detail)
        fault.is_port = fault.is_lasting = True
        fault.sign_ns = max(fault.sign_ns, row.end_ns)

    def _follow(self, row: Transmission, channel: str, gamma: float) -> None:
        """Compare the level of a transmission without excursions with the usual one; learn it."""
        faults = self.memory.faults
        run = usual.compare(self.memory, channel, gamma, row.start_ns)
        if run is not None:
            if usual.is_lasting(run, row.end_ns):
                self._last(run, row, channel, gamma)
            return
        for fault in faults:
            fault.steady += not fault.is_lasting
        if not any(_may_move_level(fault) for fault in faults):
            usual.learn(self.memory, channel, gamma, row.end_ns)

    def _move(self, since_ns: int, time_ns: int, detail: str, *, is_lower: bool = False) -> bool:
        """Add a level that has stayed off since then to the fault that explains it, if any does."""
        faults = [f for f in self.memory.faults if explains_level(f, since_ns, is_lower=is_lower)]
        if not faults:
            return False
        fault = max(faults, key=lambda fault: (fault.state == FaultState.OPEN, fault.sign_ns))
        if fault.state == FaultState.QUIET:
            if signature_of(fault) == Signature.UNDECIDED:
                evidence.forget(fault, usual.levels(self.memory))
            fault.sign_ns = time_ns
            self._return(fault, time_ns, detail)
        fault.is_lasting |= fault.family == FaultFamily.FEEDLINE
        return True

    def _last(self, run: Run, row: Transmission, channel: str, gamma: float) -> None:
        """Process a level that stays off: a sign of some fault, or a fault of its own."""
        memory, time_ns = self.memory, self._free_ns(row.end_ns)
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
        memory.faults.append(fault)
        self._change(fault, FaultChangeKind.OPENED, time_ns, text)

    def _confirm(self, suspect: FaultMemory, row: Transmission) -> None:
        """Open a fault of warnings whose level stays off."""
        self._compare_level(suspect, row)
        suspect.held = suspect.held + 1 if suspect.is_shifted else 0
        if suspect.held < evidence.LASTING:
            return
        if self._move(suspect.first_ns, row.end_ns, suspect.detail):
            self.memory.suspects.remove(suspect)
        else:
            time_ns = self._free_ns(row.end_ns)
            self._open(suspect, suspect.kinds[0], time_ns, words.lasting(suspect))

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
            self._return(fault, row.end_ns, words.breaks(len(excursions)))
        fault.breaks += len(excursions)
        fault.sign_ns = max([fault.sign_ns, *(item.time_ns for item in excursions)])
        self._part(fault, row, excursions)
        if not excursions:
            self._part_level(fault, row)
        is_off = any(kind in fault.raised for kind in OF_LEVEL) or fault.cleared_ns > row.end_ns
        fault.held += is_off
        self._compare_level(fault, row)
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
        has_sign |= any(kind != AlarmKind.INTERMITTENT_CONTACT for kind in fault.raised)
        evidence.count(fault, self._trial(row, has_sign=has_sign))
        if has_sign:
            if row.antenna is not None and row.antenna not in fault.antennas:
                fault.antennas.append(row.antenna)
            evidence.adopt(fault)
            evidence.learn_level(fault.shown, *power_of(row))
            fault.after = {}
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
            self._change(fault, FaultChangeKind.QUIET, row.end_ns, words.quiet(fault))

    def _part(self, fault: FaultMemory, row: Transmission, excursions: Sequence[Break]) -> None:
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

    def _part_level(self, fault: FaultMemory, row: Transmission) -> None:
        """Open a fault of its own for a contact that leaves a level that moved as it is."""
        if (
            fault.breaks < contacts.LEAST
            or fault.state != FaultState.OPEN
            or row.swr is None
            or not evidence.stands(fault, *level_of(row, row.swr))
        ):
            return
        fault.stood += 1
        if fault.stood < STOOD or AlarmKind.INTERMITTENT_CONTACT not in fault.kinds:
            return
        contact = self._open_contact(fault, row, [], words.beside_level(fault))
        contact.kinds = [AlarmKind.INTERMITTENT_CONTACT]
        contact.breaks, contact.steady, fault.breaks = fault.breaks, fault.stood, 0
        fault.kinds.remove(AlarmKind.INTERMITTENT_CONTACT)
        raised_ns = fault.raised.pop(AlarmKind.INTERMITTENT_CONTACT, None)
        if raised_ns is not None:
            contact.raised[AlarmKind.INTERMITTENT_CONTACT] = raised_ns
        fault.is_lasting = True

    def _open_contact(
        self, fault: FaultMemory, row: Transmission, crowds: list[float], summary: str
    ) -> FaultMemory:
        """Open a fault of a contact whose signs were told as those of another fault."""
        time_ns = self._free_ns(row.end_ns)
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
        self.memory.faults.append(contact)
        self._change(contact, FaultChangeKind.OPENED, time_ns, summary)
        return contact

    def _free_ns(self, time_ns: int) -> int:
        """Return a time from then on at which no fault was opened: it is their identity."""
        while any(fault.opened_ns == time_ns for fault in self.memory.faults):
            time_ns += 1
        return time_ns

    def _compare_level(self, fault: FaultMemory, row: Transmission) -> None:
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

    def _verify(self, fault: FaultMemory, row: Transmission, trial: Session) -> None:
        """Close or return a fault if the transmissions since a repair decide."""
        verdict = repair.judge(fault, row, trial)
        if verdict == repair.Verdict.FIXED:
            self._close(fault, row.end_ns, words.fixed(fault))
        elif verdict is not None:
            self._return(fault, row.end_ns, words.not_fixed(fault, verdict))

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
                self._change(fault, FaultChangeKind.QUIET, due_ns, words.quiet(fault))
            elif fault.family == FaultFamily.NO_DATA:
                self._close(fault, due_ns, words.data_back(fault))
            else:
                self._close(fault, due_ns, words.forgotten(fault, self._days))

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
            self._change(fault, FaultChangeKind.REPAIRED, work_ns, words.repaired(fault))

    # Changes.

    def _return(self, fault: FaultMemory, time_ns: int, detail: str) -> None:
        text = words.returned(fault, detail)
        fault.state = FaultState.OPEN
        self._change(fault, FaultChangeKind.RETURNED, time_ns, text)
        fault.work_ns, fault.after = None, {}
        evidence.adopt(fault)

    def _close(self, fault: FaultMemory, time_ns: int, summary: str) -> None:
        fault.state = FaultState.CLOSED
        if fault.work_ns is not None and _may_move_level(fault):
            self.memory.levels |= fault.after
        self._change(fault, FaultChangeKind.CLOSED, time_ns, summary)
        self.memory.faults.remove(fault)

    def _change(
        self, fault: FaultMemory, change: FaultChangeKind, time_ns: int, summary: str
    ) -> None:
        fault.changed_ns = time_ns
        self._changes.append(
            FaultChange(
                opened_ns=fault.opened_ns,
                family=fault.family,
                change=change,
                time_ns=time_ns,
                state=fault.state,
                severity=fault.severity,
                summary=summary,
                first_ns=fault.first_ns,
                work_ns=fault.work_ns,
            )
        )


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


def _contact(fault: FaultMemory) -> tuple[bool, bool, int]:
    """Sort key of faults that may explain an excursion."""
    return bool(fault.crowds), signature_of(fault) == Signature.PASSING, fault.opened_ns


def _may_move_level(fault: FaultMemory) -> bool:
    """True if the level may be that of a fault, so that it is not learned as the usual one."""
    if fault.family != FaultFamily.FEEDLINE or fault.state == FaultState.QUIET:
        return False
    return fault.state == FaultState.OPEN or signature_of(fault) != Signature.PASSING


def _stands(fault: FaultMemory) -> bool:
    return signature_of(fault) == Signature.STANDING
