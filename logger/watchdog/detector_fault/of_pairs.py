"""Faults visible in pairs: clipped, reversed, stuck, foreign.

The first one found stands until it clears. A foreign signal clears when it has been silent for
QUIET_NS. Each other cause clears after a second of sound keyed pairs and, except for clipping, once
the reflected reading has moved.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logger.stages.view import View
from logger.watchdog.detector_fault import clipped, reversed, stuck
from logger.watchdog.detector_fault.foreign import QUIET_NS, ForeignSignals
from logger.watchdog.detector_fault.held import Held
from logger.watchdog.finding import Finding

CLEAR_NS = 1_000_000_000
SOUND = "readings are sound again"
SILENT = "the other transmitter is silent"


class OfPairs:
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
        self._clipped = Held(clipped.HOLD_NS)
        self._reversed = Held(reversed.HOLD_NS)
        self._stuck = stuck.Stuck()
        self._sound = Held(CLEAR_NS)
        self._quiet = Held(QUIET_NS)

    def update(self, view: View) -> list[Finding]:
        """Return the changes of state in one block."""
        findings: list[Finding] = []
        foreign = self.foreign.update(view)
        while len(view.block):
            finding = self._cleared(view) if self.active else self._raised(view, foreign)
            if finding is None:
                break
            findings.append(finding)
            self.active = not self.active
            self._restart()
            past = int(np.searchsorted(view.block.time_ns, finding.time_ns)) + 1
            view = replace(
                view,
                block=view.block[past:],
                keyed=view.keyed[past:],
                foreign=view.foreign[past:],
            )
            foreign = [(at, cause) for at, cause in foreign if at > finding.time_ns]
        return findings

    def _raised(self, view: View, foreign: list[tuple[int, str]]) -> Finding | None:
        block = view.block
        at_end, above = clipped.clipped(view), reversed.above(view)
        strong = reversed.strong(view)
        causes = [
            (at, cause)
            for at, cause in (
                (self._clipped.find(view, at_end, view.keyed & ~at_end), clipped.CAUSE),
                (
                    self._reversed.find(view, strong, view.keyed & block.settled & ~above)
                    if view.own.least_w is None
                    else None,
                    reversed.CAUSE,
                ),
                (self._stuck.find(view), stuck.CAUSE),
                *[(at, cause) for at, cause in foreign if self.foreign.is_due(at, cause)][:1],
            )
            if at is not None
        ]
        if not causes:
            return None
        at, cause = min(causes)
        self._level_v = None
        self._waits_for_quiet = cause not in (clipped.CAUSE, reversed.CAUSE, stuck.CAUSE)
        if self._waits_for_quiet:
            self.foreign.reported_ns = at
        if cause in (reversed.CAUSE, stuck.CAUSE):
            self._level_v = float(block.reflected_v[np.searchsorted(block.time_ns, at)])
            self._move_v = view.step_v[1]
            if cause == reversed.CAUSE:
                self._move_v = stuck.STEPS_OF_A_MOVE * view.step_v[1] + 3 * view.noise.sd_v[1]
        return Finding(at, "raised", None, None, cause)

    def _cleared(self, view: View) -> Finding | None:
        if self._waits_for_quiet:
            at = self._quiet.find(view, ~view.foreign, view.foreign)
            return None if at is None else Finding(at, "cleared", None, None, SILENT)
        bad = clipped.clipped(view) | reversed.above(view)
        sound = view.keyed & view.block.settled & ~bad
        if self._level_v is not None:
            # A reading that has not moved since may be stuck, even if it is plausible.
            moved = np.abs(view.block.reflected_v - self._level_v) > self._move_v
            if moved.any():
                self._level_v = None
            sound &= np.logical_or.accumulate(moved)
        at = self._sound.find(view, sound, bad)
        return None if at is None else Finding(at, "cleared", None, None, SOUND)
