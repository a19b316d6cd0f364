"""A reflected reading that never moves by a step while the forward one does, keyed or not.

At a steady reading well above zero this takes two seconds of transmission; at zero it takes a
minute at a power where an SWR of 1.1 would show as STEPS_OF_A_MOVE steps, since a good match also
reads little (but its leak and noise do move).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from logger.blocks import Floats, Times, steps_from
from logger.physics.reflection import rho_of_swr
from logger.stages.view import View

STUCK_HIGH_NS = 2_000_000_000
STUCK_ZERO_NS = 60_000_000_000
STEPS_OF_A_MOVE = 4
LONGEST_STEP_NS = 1_000_000_000
SECOND_NS = 1_000_000_000

CAUSE = (
    "the reflected reading never moves while the forward one does; check its detector, wire and"
    " converter input"
)


@dataclass(frozen=True, slots=True)
class _Still:
    """Summary of some pairs: range of reflected volts, time keyed, True if there was a pause."""

    low: float = np.inf
    high: float = -np.inf
    keyed_ns: int = 0
    quiet: bool = False

    def extended(self, low: float, high: float, keyed_ns: int, *, quiet: bool) -> _Still:
        """Return the summary extended by more pairs."""
        return _Still(
            min(self.low, low), max(self.high, high), self.keyed_ns + keyed_ns, self.quiet or quiet
        )

    def joined(self, following: _Still) -> _Still:
        """Return the summary of both."""
        return self.extended(
            following.low, following.high, following.keyed_ns, quiet=following.quiet
        )


class Stuck:
    """State machine that detects a reflected reading within one step.

    Readings are judged by whole seconds of the clock, so that the cut of the blocks does not
    matter: consecutive still seconds form a run, a second with a move ends the run.
    """

    def __init__(self) -> None:
        self._run = _Still()
        self._second = _Still()
        self._number: int | None = None  # number of the incomplete second
        self._previous_ns: int | None = None
        self._least: tuple[float, float] | None = None  # a step and its `_least_w`

    def find(self, view: View) -> int | None:
        """Return the time of detection, or None. Later pairs have not been processed."""
        block, step_v = view.block, max(view.step_v[1], 1e-6)
        times, volts = block.time_ns, block.reflected_v
        is_usable = view.keyed & block.settled & (block.forward_w >= self._least_w(view))
        steps = np.minimum(steps_from(self._previous_ns, times), LONGEST_STEP_NS)
        self._previous_ns = int(times[-1])
        keyed_ns = steps * is_usable
        zero_v = view.coupler.reflected.zero_v
        at_zero_v = zero_v + STEPS_OF_A_MOVE * step_v + 3 * view.noise.sd_v[1]
        numbers = times // SECOND_NS
        changes = np.flatnonzero(numbers[1:] != numbers[:-1]) + 1
        edges = np.concatenate([[0], changes, [len(times)]])
        skipped = self._skip_moves(volts, keyed_ns, edges[:-1], step_v)
        if skipped:
            self._number = int(numbers[edges[skipped - 1]])
        for begin, end in itertools.pairwise(edges[skipped:].tolist()):
            if self._number != numbers[begin]:
                self._close(step_v)
                self._number = int(numbers[begin])
            part = slice(begin, end)
            second = self._second
            self._second = second.extended(
                float(volts[part].min()),
                float(volts[part].max()),
                int(keyed_ns[part].sum()),
                quiet=not view.keyed[part].all(),
            )
            if self._run.keyed_ns + self._second.keyed_ns < STUCK_HIGH_NS:
                continue
            # Long enough at the end of this part; find the pair at which it became so.
            start = self._run.joined(second)
            low = np.minimum(np.minimum.accumulate(volts[part]), start.low)
            high = np.maximum(np.maximum.accumulate(volts[part]), start.high)
            quiet = np.logical_or.accumulate(~view.keyed[part]) | start.quiet
            needed = np.where(low <= at_zero_v, STUCK_ZERO_NS, STUCK_HIGH_NS)
            certain = (
                quiet
                & (high - low <= step_v)
                & (start.keyed_ns + np.cumsum(keyed_ns[part]) >= needed)
            )
            if certain.any():
                return int(times[begin + int(np.argmax(certain))])
        return None

    def _skip_moves(self, volts: Floats, keyed_ns: Times, begins: Times, step_v: float) -> int:
        """Process the seconds up to the last with a move in it and return their number.

        Return 0 if they need a closer look because the reading was still for long enough in
        between.
        """
        lows, highs = (reduce.reduceat(volts, begins) for reduce in (np.minimum, np.maximum))
        moves = np.flatnonzero(highs - lows > step_v)
        if not len(moves):
            return 0
        keyed_by = np.add.reduceat(keyed_ns, begins).cumsum()[moves]
        longest_ns = np.diff(keyed_by, prepend=-self._run.keyed_ns - self._second.keyed_ns).max()
        if longest_ns >= STUCK_HIGH_NS:
            return 0
        last = int(moves[-1])
        self._run = _Still()
        self._second = _Still(float(lows[last]), float(highs[last]))
        return last + 1

    def _close(self, step_v: float) -> None:
        """Complete a second: it continues the run, begins a new one or ends it."""
        both = self._run.joined(self._second)
        if both.high - both.low <= step_v:
            self._run = both
        elif self._second.high - self._second.low <= step_v:
            self._run = self._second
        else:
            self._run = _Still()
        self._second = _Still()

    def _least_w(self, view: View) -> float:
        """Return the incident power in watts at which SWR 1.1 reads STEPS_OF_A_MOVE above zero."""
        step_v = view.step_v[1]
        if self._least is None or self._least[0] != step_v:
            law = view.coupler.reflected
            least_v = law.zero_v + STEPS_OF_A_MOVE * max(step_v, 1e-6)
            self._least = step_v, float(law.watts(np.array([least_v]))[0] / rho_of_swr(1.1) ** 2)
        return self._least[1]
