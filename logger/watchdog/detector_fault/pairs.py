"""Faults visible in pairs: clipped, reversed, stuck, foreign.

The first one found stands until it clears. A foreign signal clears when it has been silent for
QUIET_NS. Each other cause clears after a second of sound keyed pairs and, except for clipping, once
the reflected reading has moved.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logger.blocks import Bools
from logger.rows import ChangeKind, Flag
from logger.stages.view import View
from logger.watchdog.detector_fault import stuck
from logger.watchdog.detector_fault.foreign import (
    QUIET_NS,
    REVERSED,
    REVERSED_NS,
    ForeignSignals,
    is_reversed,
    is_strong,
)
from logger.watchdog.hold import SUMS, Hold, HoldEvidence
from logger.watchdog.rule import Finding

CLIPPED_NS = 50_000_000
CLIPPED = (
    "converter overloaded: the detector voltage exceeds its range, so powers and SWR are wrong;"
    " reduce the power or divide the voltage"
)
CLEAR_NS = 1_000_000_000
SOUND = "readings are sound again"
SILENT = "the other transmitter is silent"


def is_clipped(view: View) -> Bools:
    """Return a mask of readings at the end of the converter's range, (n,)."""
    return np.asarray((view.block.flags & np.uint8(Flag.CLIPPED)) != 0)


class HeldCondition:
    """State machine of a boolean condition, continued across blocks."""

    def __init__(self, hold_ns: int) -> None:
        self._hold = Hold(hold_ns)

    def find(self, view: View, yes: Bools, no: Bools) -> int | None:
        """Return the time at which `yes` (n,) had held without a `no` (n,), or None."""
        times = view.block.time_ns
        if self._hold.idle and not yes.any():
            self._hold.skip(int(times[-1]))
            return None
        sums = np.zeros((SUMS, len(times)))
        sums[:2] = 1.0  # count and excess: no noise
        satisfied = self._hold.find(HoldEvidence(times, sums, yes, yes, no))
        return None if satisfied is None else int(times[satisfied[0]])


class PairFaults:
    """State machine over pairs.

    active       a cause stands from before
    reported_ns  last report of a foreign signal
    """

    def __init__(self, *, active: bool, reported_ns: int) -> None:
        self.active = active
        self.foreign = ForeignSignals(reported_ns)
        self._waits_for_quiet = False  # the standing cause is a foreign signal
        self._level_v: float | None = None  # reflected reading at which a fault was found
        self._move_v = 0.0  # least distance from it that shows a working detector
        self._restart()

    def _restart(self) -> None:
        self._clipped = HeldCondition(CLIPPED_NS)
        self._reversed = HeldCondition(REVERSED_NS)
        self._stuck = stuck.Stuck()
        self._sound = HeldCondition(CLEAR_NS)
        self._quiet = HeldCondition(QUIET_NS)

    def update(self, view: View) -> list[Finding]:
        """Return the changes of state in one block."""
        findings: list[Finding] = []
        foreign = self.foreign.update(view)
        while len(view.block):
            finding = self._clear(view) if self.active else self._raise(view, foreign)
            if finding is None:
                break
            findings.append(finding)
            self.active = not self.active
            self._restart()
            first = int(np.searchsorted(view.block.time_ns, finding.time_ns)) + 1
            view = replace(
                view,
                block=view.block[first:],
                keyed=view.keyed[first:],
                foreign=view.foreign[first:],
            )
            foreign = [(time_ns, cause) for time_ns, cause in foreign if time_ns > finding.time_ns]
        return findings

    def _raise(self, view: View, foreign: list[tuple[int, str]]) -> Finding | None:
        block = view.block
        clipped = is_clipped(view)
        clipped_ns = self._clipped.find(view, clipped, view.keyed & ~clipped)
        reversed_ns = None
        if view.own.least_w is None:
            above = is_reversed(view)
            reversed_ns = self._reversed.find(
                view, is_strong(view, above), view.keyed & block.settled & ~above
            )
        else:  # not asked any more
            self._reversed = HeldCondition(REVERSED_NS)
        due = [
            (time_ns, cause) for time_ns, cause in foreign if self.foreign.is_due(time_ns, cause)
        ]
        causes = [
            (time_ns, cause)
            for time_ns, cause in (
                (clipped_ns, CLIPPED),
                (reversed_ns, REVERSED),
                (self._stuck.find(view), stuck.CAUSE),
                *due[:1],
            )
            if time_ns is not None
        ]
        if not causes:
            return None
        time_ns, cause = min(causes)
        self._level_v = None
        self._waits_for_quiet = cause not in (CLIPPED, REVERSED, stuck.CAUSE)
        if self._waits_for_quiet:
            self.foreign.reported_ns = time_ns
        if cause in (REVERSED, stuck.CAUSE):
            self._level_v = float(block.reflected_v[np.searchsorted(block.time_ns, time_ns)])
            self._move_v = view.step_v[1]
            if cause == REVERSED:
                self._move_v = stuck.STEPS_OF_A_MOVE * view.step_v[1] + 3 * view.noise.sd_v[1]
        return Finding(time_ns, ChangeKind.RAISED, None, None, cause)

    def _clear(self, view: View) -> Finding | None:
        if self._waits_for_quiet:
            time_ns = self._quiet.find(view, ~view.foreign, view.foreign)
            return (
                None
                if time_ns is None
                else Finding(time_ns, ChangeKind.CLEARED, None, None, SILENT)
            )
        bad = is_clipped(view) | is_reversed(view)
        sound = view.keyed & view.block.settled & ~bad
        if self._level_v is not None:
            # A reading that has not moved since may be stuck, even if it is plausible.
            moved = np.abs(view.block.reflected_v - self._level_v) > self._move_v
            if moved.any():
                self._level_v = None
            sound &= np.logical_or.accumulate(moved)
        time_ns = self._sound.find(view, sound, bad)
        return None if time_ns is None else Finding(time_ns, ChangeKind.CLEARED, None, None, SOUND)
