"""A bound on reflected power that may depend on incident power: Pr > slope * Pf + offset.

Shared by `high_swr` (slope = rho of the limit squared) and `high_reflected_power` (offset). The
alarm is raised when the bound has been exceeded for a time, the shorter the larger the excess
(`inverse_time`), and cleared when reflection has stayed below a lower bound for the clearing time.
Speech troughs, keying edges, readings below the readable floor and readings that no load can cause
are neutral.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from logger.blocks import Floats
from logger.rows import ChangeKind
from logger.stages.view import View
from logger.watchdog.finding import Finding
from logger.watchdog.hold import Hold, HoldEvidence
from logger.watchdog.inverse_time import inverse_time

CLEAR_HOLDS = 10
CLEAR_LEAST_NS = 2_000_000_000
NEAR = 0.5  # pairs below this share of the bound are on the safe side regardless of noise


class ReflectedLimit:
    """State machine with two thresholds.

    bound     (slope, offset in watts) of raising
    reference the multiple of the bound at which the hold time is `hold_ns`
    release   the same of clearing, from the sums of the run that raised it, or from None if that
              was before this process
    describe  from the sums of a run to (value, detail)
    """

    def __init__(
        self,
        bound: tuple[float, float],
        release: Callable[[Floats | None], tuple[float, float]],
        hold_ns: int,
        reference: float,
        limit: float,
        describe: Callable[[Floats], tuple[float, str]],
        *,
        active: bool,
    ) -> None:
        self._bound = bound
        self._release_from = release
        self._release = release(None)
        self._limit = limit
        self._describe = describe
        self._active = active
        self._raising = Hold(hold_ns, inverse_time(hold_ns, reference))
        self._clearing = Hold(max(CLEAR_HOLDS * hold_ns, CLEAR_LEAST_NS))

    def update(self, view: View) -> list[Finding]:
        """Return the changes of state in one block."""
        block = view.block
        trusted = view.keyed & (block.reflected_w <= view.impossible_ratio * block.forward_w)
        trusted &= block.forward_w >= view.floor_w
        if not self._active and self._raising.idle:
            slope, offset = self._bound
            beyond = block.reflected_w > slope * block.forward_w + offset
            if not (beyond & trusted).any():
                self._raising.skip(int(block.time_ns[-1]))
                return []
        if not trusted.any():
            return []
        findings: list[Finding] = []
        rest = np.flatnonzero(trusted)
        while len(rest):
            hold = self._clearing if self._active else self._raising
            found = hold.find(self._evidence(view, rest))
            if found is None:
                break
            at, sums = found
            value, detail = self._describe(sums)
            self._active = not self._active
            change = ChangeKind.RAISED if self._active else ChangeKind.CLEARED
            if self._active:
                self._release = self._release_from(sums)
            time_ns = int(block.time_ns[rest[at]])
            findings.append(Finding(time_ns, change, value, self._limit, detail))
            (self._clearing if self._active else self._raising).skip(time_ns)
            rest = rest[at + 1 :]
        return findings

    def _evidence(self, view: View, pairs: np.ndarray) -> HoldEvidence:
        block = view.block
        slope, offset = self._release if self._active else self._bound
        forward_w, reflected_w = block.forward_w[pairs], block.reflected_w[pairs]
        bound_w = slope * forward_w + offset
        sign = -1.0 if self._active else 1.0
        excess = sign * (reflected_w - bound_w)
        variance = view.reflected_variance(pairs) + slope**2 * view.forward_variance(pairs)
        settled = block.settled[pairs]
        positive = excess > 0
        surely = np.abs(excess) > np.minimum(2 * np.sqrt(variance), NEAR * bound_w)
        return HoldEvidence(
            block.time_ns[pairs],
            np.stack([np.ones(len(pairs)), excess, variance, forward_w, reflected_w]),
            positive,
            settled,
            settled & ~positive & surely,
        )
