"""Rule `detector-fault`: readings that a sound coupler cannot produce.

From pairs (`pairs`): clipped, reversed, stuck, foreign. From whole transmissions,
compared with learned values: `noisy`, `zero`, `gain` and `level`, each of which states its
assumptions. Noise and zero must be wrong at the end of RUN transmissions in a row and for
LASTING_NS (so that measurements in pauses of speech do not count), and right at RUN to clear; a
changed gain or power clears when RUN transmissions are as usual again. Work and another calibration
reset the rule.

There is one alarm at a time: the first cause stands until it clears, and the alarm is open while
any cause stands.
"""

from __future__ import annotations

import msgspec

from logger.config.load import WatchdogOptions
from logger.rows import AlarmKind, ChangeKind, Severity, Transmission
from logger.stages.view import View
from logger.watchdog.detector_fault import gain, level, noisy, zero
from logger.watchdog.detector_fault.pairs import SOUND, PairFaults
from logger.watchdog.rule import Finding, LearningRule

KIND = AlarmKind.DETECTOR_FAULT
SEVERITY = Severity.WARNING
RUN = 3
LASTING_NS = 600_000_000_000


class Memory(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Learned values, and the standing cause from whole transmissions ("" for none).

    bad, bad_ns  transmissions in a row with wrong noise or zero at their end; end of the first
    good         while a cause stands, transmissions in a row without a fault
    foreign_ns   last report of another transmitter
    """

    noisy: noisy.Memory = msgspec.field(default_factory=noisy.Memory)
    gain: gain.Memory = msgspec.field(default_factory=gain.Memory)
    level: level.Memory = msgspec.field(default_factory=level.Memory)
    cause: str = ""
    bad: int = 0
    bad_ns: int = 0
    good: int = 0
    work_ns: int = 0
    foreign_ns: int = 0
    calibration_id: str = ""


def rule(options: WatchdogOptions, memory: Memory, *, active: bool) -> DetectorFault:
    """Return the rule's state machine; `active` if its alarm is open from before."""
    return DetectorFault(memory, active=active)


class DetectorFault(LearningRule):
    """State machine over pairs and over the transmissions that end with them."""

    takes = (Transmission,)

    def __init__(self, memory: Memory, *, active: bool) -> None:
        if not active:
            memory.cause = ""
        self.memory = memory
        self._pairs = PairFaults(active=active and not memory.cause, reported_ns=memory.foreign_ns)
        self._view: View | None = None

    def update(self, view: View) -> list[Finding]:
        """Return the changes of state in one block."""
        self._view = view
        findings = self._pairs.update(view)
        return [] if self.memory.cause else findings

    @property
    def pairs(self) -> PairFaults:
        """State of the faults that pairs show."""
        return self._pairs

    def follow(self, view: View, *, active: bool, reported_ns: int) -> None:
        """Set the state after a block of pairs that another process has seen (see `recompute`)."""
        self._view, self._pairs.active, self._pairs.foreign.reported_ns = view, active, reported_ns

    def row(self, row: Transmission, work_ns: int) -> list[Finding]:
        """Return the changes of state caused by one transmission."""
        if self._view is None:
            return []
        if self._pairs.foreign.reported_ns <= row.end_ns:
            self.memory.foreign_ns = self._pairs.foreign.reported_ns
        previous, cause = self.memory.cause, self._cause(row, self._view, work_ns)
        self.memory.cause = cause
        if bool(previous) == bool(cause) or self._pairs.active:
            return []
        if cause:
            return [Finding(row.end_ns, ChangeKind.RAISED, None, None, cause)]
        return [Finding(row.end_ns, ChangeKind.CLEARED, None, None, SOUND)]

    def _cause(self, row: Transmission, view: View, work_ns: int) -> str:
        """Return the cause that stands after a transmission, "" for none."""
        memory = self.memory
        if work_ns > memory.work_ns or memory.calibration_id not in ("", row.calibration_id):
            self.memory = memory = Memory(noisy=memory.noisy, foreign_ns=memory.foreign_ns)
        memory.work_ns = max(work_ns, memory.work_ns)
        memory.calibration_id = row.calibration_id
        standing = bool(memory.cause)
        fault = noisy.fault(memory.noisy, view, standing=standing) or zero.fault(
            view, standing=standing
        )
        shifted = level.judge(memory.level, row)
        lost_gain = gain.judge(memory.gain, row) or shifted
        if standing:
            memory.good = 0 if fault or shifted or memory.gain.run else memory.good + 1
            return "" if memory.good >= RUN else memory.cause
        memory.good = 0
        if not fault:
            memory.bad = 0
            noisy.learn(memory.noisy, view)
            return lost_gain or ""
        if not memory.bad:
            memory.bad_ns = row.end_ns
        memory.bad += 1
        if memory.bad < RUN or row.end_ns - memory.bad_ns < LASTING_NS:
            return lost_gain or ""
        memory.bad = 0
        return fault
