"""Rule `detector-fault`: the readings cannot be what a sound coupler shows.

By pairs (`of_pairs`): `clipped`, `reversed`, `stuck`, `foreign`. By whole transmissions, from what
has been learned: `noisy`, `zero`, `gain` and `level`, each of which says what it assumes. Noise and
zero must be wrong at the end of RUN transmissions in a row and for LASTING (so that what is
measured in pauses of speech does not count), and right at RUN to clear; a changed gain or power
clears when RUN transmissions are as usual again. Work and another calibration begin anew.

One alarm at a time: the first cause found stands until it clears, and the alarm while any stands.
"""

from __future__ import annotations

import msgspec

from logger.config.load import WatchdogOptions
from logger.rows import Transmission
from logger.stages.view import View
from logger.watchdog.detector_fault import gain, level, noisy, zero
from logger.watchdog.detector_fault.of_pairs import SOUND, OfPairs
from logger.watchdog.finding import Finding

KIND = "detector-fault"
SEVERITY = "warning"
RUN = 3
LASTING_NS = 600_000_000_000


class Memory(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """What is usual, and which cause found by whole transmissions stands ("" for none).

    bad, bad_ns  transmissions in a row at whose end noise or zero were wrong; when the first ended
    good         while a cause stands, transmissions in a row at which all was right
    foreign_ns   when another transmitter was last reported
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
    """The rule's state machine; `active` if an alarm of it is open from before."""
    return DetectorFault(memory, active=active)


class DetectorFault:
    """Feeds on pairs and, once these are taken in, on transmissions that have ended with them."""

    takes = (Transmission,)

    def __init__(self, memory: Memory, *, active: bool) -> None:
        if not active:
            memory.cause = ""
        self.memory = memory
        self._pairs = OfPairs(active=active and not memory.cause, reported_ns=memory.foreign_ns)
        self._view: View | None = None

    def update(self, view: View) -> list[Finding]:
        """Changes of state in one block."""
        self._view = view
        findings = self._pairs.update(view)
        return [] if self.memory.cause else findings

    def row(self, row: Transmission, work_ns: int) -> list[Finding]:
        """Changes of state by one transmission."""
        if self._view is None:
            return []
        if self._pairs.foreign.reported_ns <= row.end_ns:
            self.memory.foreign_ns = self._pairs.foreign.reported_ns
        before, now = self.memory.cause, self._cause(row, self._view, work_ns)
        self.memory.cause = now
        if bool(before) == bool(now) or self._pairs.active:
            return []
        if now:
            return [Finding(row.end_ns, "raised", None, None, now)]
        return [Finding(row.end_ns, "cleared", None, None, SOUND)]

    def _cause(self, row: Transmission, view: View, work_ns: int) -> str:
        """The cause that stands after a transmission."""
        memory = self.memory
        if work_ns > memory.work_ns or memory.calibration_id not in ("", row.calibration_id):
            self.memory = memory = Memory(noisy=memory.noisy, foreign_ns=memory.foreign_ns)
        memory.work_ns = max(work_ns, memory.work_ns)
        memory.calibration_id = row.calibration_id
        standing = bool(memory.cause)
        found = noisy.fault(memory.noisy, view, standing=standing) or zero.fault(
            view, standing=standing
        )
        shifted = level.judge(memory.level, row)
        lost = gain.judge(memory.gain, row) or shifted
        if standing:
            memory.good = 0 if found or shifted or memory.gain.run else memory.good + 1
            return "" if memory.good >= RUN else memory.cause
        memory.good = 0
        if not found:
            memory.bad = 0
            noisy.learn(memory.noisy, view)
            return lost or ""
        if not memory.bad:
            memory.bad_ns = row.end_ns
        memory.bad += 1
        if memory.bad < RUN or row.end_ns - memory.bad_ns < LASTING_NS:
            return lost or ""
        memory.bad = 0
        return found
