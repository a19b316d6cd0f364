"""The causes that pairs show: clipped, reversed, stuck. The first one found stands until it clears.

It clears after a second of keyed pairs that are sound, and, unless it was clipping, once the
reflected reading has moved.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logger.view import View
from logger.watchdog.detector_fault import clipped, reversed, stuck
from logger.watchdog.detector_fault.held import Held
from logger.watchdog.finding import Finding

CLEAR_NS = 1_000_000_000
SOUND = "readings are sound again"


class OfPairs:
    """The state machine; `active` if a cause stands from before."""

    def __init__(self, *, active: bool) -> None:
        self.active = active
        self._level_v: float | None = None  # the reflected reading that a fault was found at
        self._move_v = 0.0  # and how far from it shows that the detector lives
        self._restart()

    def _restart(self) -> None:
        self._clipped = Held(clipped.HOLD_NS)
        self._reversed = Held(reversed.HOLD_NS)
        self._stuck = stuck.Stuck()
        self._sound = Held(CLEAR_NS)

    def update(self, view: View) -> list[Finding]:
        """Changes of state in one block."""
        findings: list[Finding] = []
        while len(view.block):
            finding = self._cleared(view) if self.active else self._raised(view)
            if finding is None:
                break
            findings.append(finding)
            self.active = not self.active
            self._restart()
            past = int(np.searchsorted(view.block.time_ns, finding.time_ns)) + 1
            view = replace(view, block=view.block[past:], keyed=view.keyed[past:])
        return findings

    def _raised(self, view: View) -> Finding | None:
        block = view.block
        at_end, above = clipped.clipped(view), reversed.above(view)
        causes = [
            (at, cause)
            for at, cause in (
                (self._clipped.find(view, at_end, view.keyed & ~at_end), clipped.CAUSE),
                (
                    self._reversed.find(view, above, view.keyed & block.settled & ~above),
                    reversed.CAUSE,
                ),
                (self._stuck.find(view), stuck.CAUSE),
            )
            if at is not None
        ]
        if not causes:
            return None
        at, cause = min(causes)
        self._level_v = None
        if cause is not clipped.CAUSE:
            self._level_v = float(block.reflected_v[np.searchsorted(block.time_ns, at)])
            self._move_v = view.step_v[1]
            if cause is reversed.CAUSE:
                self._move_v = stuck.STEPS_OF_A_MOVE * view.step_v[1] + 3 * view.noise.sd_v[1]
        return Finding(at, "raised", None, None, cause)

    def _cleared(self, view: View) -> Finding | None:
        bad = clipped.clipped(view) | reversed.above(view)
        sound = view.keyed & view.block.settled & ~bad
        if self._level_v is not None:
            # A reading that has not moved since may be stuck, however likely it looks.
            moved = np.abs(view.block.reflected_v - self._level_v) > self._move_v
            if moved.any():
                self._level_v = None
            sound &= np.logical_or.accumulate(moved)
        at = self._sound.find(view, sound, bad)
        return None if at is None else Finding(at, "cleared", None, None, SOUND)
