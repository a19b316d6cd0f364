"""A bound on reflected power that may depend on incident power: Pr > slope * Pf + offset.

Shared by `high_swr` (slope = rho of the limit squared) and `high_reflected_power` (offset). The
alarm is raised when the bound has been exceeded for a time, the shorter the larger the excess
(`inverse_time`), and cleared when reflection has stayed below a lower bound for the clearing time.
Speech troughs, keying edges, readings below the readable floor and readings that no load can cause
are neutral.

Protection relays use a curve of the shape t = k / (M^a - 1), M the multiple of the limit (after IEC
60255-151, from memory; the constants are ours). Here M is the ratio of reflected power to what the
limit allows, so that the ratio of reflection coefficients is its square root, a = 4, and k is such
that the configured hold time applies at the multiple `reference`:

    t = hold * (reference^4 - 1) / (M^4 - 1), at most LONGEST holds

With an SWR limit of 3, 50 ms and a reference of (4/3)^2, which is a reflection coefficient a third
above the limit: 5 s up to SWR 3.04, 1 s at 3.2, 340 ms at 3.5, 136 ms at 4, 50 ms at 5, 14 ms at 8,
and 2 ms at total reflection, which is immediate: the two settled pairs and the certainty beyond
noise that every decision needs (see `hold`) take longer.

M is the mean over all settled pairs since the limit was crossed. So noise averages out, and an open
that follows an SWR just above the limit is reported within half a hold time.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from logger.blocks import Floats
from logger.rows import ChangeKind
from logger.stages.view import View
from logger.watchdog.hold import EXCESS, REFLECTED, Hold, HoldEvidence, Needed
from logger.watchdog.rule import Finding, Rule

CLEAR_HOLDS = 10
CLEAR_LEAST_NS = 2_000_000_000
EXPONENT = 4
LONGEST = 100
NEAR = 0.5  # pairs below this share of the bound are on the safe side regardless of noise


class ReflectedLimit(Rule):
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
        self.bound = bound
        self._release_from = release
        self._release = release(None)
        self._limit = limit
        self._describe = describe
        self._active = active
        self._raising = Hold(hold_ns, inverse_time(hold_ns, reference))
        self._clearing = Hold(max(CLEAR_HOLDS * hold_ns, CLEAR_LEAST_NS))

    @property
    def due_ns(self) -> int | None:
        return None if self._active else self._raising.due_ns

    def update(self, view: View) -> list[Finding]:
        """Return the changes of state in one block."""
        block = view.block
        trusted = view.keyed & (block.reflected_w <= view.impossible_ratio * block.forward_w)
        trusted &= block.forward_w >= view.floor_w
        if not self._active and self._raising.idle:
            slope, offset = self.bound
            exceeds = block.reflected_w > slope * block.forward_w + offset
            if not (exceeds & trusted).any():
                self._raising.skip(int(block.time_ns[-1]))
                return []
        if not trusted.any():
            return []
        findings: list[Finding] = []
        rest = np.flatnonzero(trusted)
        while len(rest):
            hold = self._clearing if self._active else self._raising
            crossing = hold.find(self._evidence(view, rest))
            if crossing is None:
                break
            index, sums = crossing
            value, detail = self._describe(sums)
            self._active = not self._active
            change = ChangeKind.RAISED if self._active else ChangeKind.CLEARED
            self._release = self._release_from(sums if self._active else None)
            time_ns = int(block.time_ns[rest[index]])
            findings.append(Finding(time_ns, change, value, self._limit, detail))
            (self._clearing if self._active else self._raising).skip(time_ns)
            rest = rest[index + 1 :]
        return findings

    def _evidence(self, view: View, pairs: np.ndarray) -> HoldEvidence:
        block = view.block
        slope, offset = self._release if self._active else self.bound
        forward_w, reflected_w = block.forward_w[pairs], block.reflected_w[pairs]
        bound_w = slope * forward_w + offset
        sign = -1.0 if self._active else 1.0
        excess = sign * (reflected_w - bound_w)
        variance = view.reflected_variance(pairs) + slope**2 * view.forward_variance(pairs)
        settled = block.settled[pairs]
        positive = excess > 0
        is_certain = np.abs(excess) > np.minimum(2 * np.sqrt(variance), NEAR * bound_w)
        return HoldEvidence(
            block.time_ns[pairs],
            np.stack([np.ones(len(pairs)), excess, variance, forward_w, reflected_w]),
            positive,
            settled,
            settled & ~positive & is_certain,
        )


def inverse_time(hold_ns: int, reference: float) -> Needed:
    """Return a function from the sums of runs (SUMS, n) to the time they must last, ns (n,).

    The time is `hold_ns` at `reference` times the limit in reflected power.
    """
    return partial(_needed, hold_ns, reference**EXPONENT - 1)


def _needed(hold_ns: int, k: float, totals: Floats) -> Floats:
    allowed_w = totals[REFLECTED] - totals[EXCESS]
    exceeds = (totals[EXCESS] > 0) & (allowed_w > 0)
    multiple = np.where(exceeds, totals[REFLECTED], 1.0) / np.where(exceeds, allowed_w, 1.0)
    with np.errstate(divide="ignore"):
        holds = np.minimum(k / (np.minimum(multiple, 1e3) ** EXPONENT - 1), LONGEST)
    return np.asarray(holds * hold_ns)
