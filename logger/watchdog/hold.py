"""A condition that must hold for a time: the core of the threshold rules.

Each pair *supports* the condition, *breaks* it, or is neutral (unsettled, unreadable, or within its
noise of the limit). A run begins with the first supporting pair and ends with a breaking one or
when there is no support for LAPSE_NS. It satisfies the rule at the first pair that is late enough
after the beginning (to half a sample period, the limit of sampling) once at least LEAST_SETTLED
settled pairs belong to it and their sum is beyond CERTAIN standard deviations. The time needed is
`hold_ns`, or depends on the run so far (see `reflected_limit`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from logger.blocks import Bools, Floats, Times, steps_from

LAPSE_NS = 200_000_000
LEAST_SETTLED = 2
CERTAIN = 3.0
NEVER_NS = 1 << 62

Needed = Callable[[Floats], Floats]  # sums of runs (SUMS, n) to least durations, ns (n,)


@dataclass(slots=True)
class _Run:
    start_ns: int
    last_ns: int
    totals: Floats


@dataclass(frozen=True, slots=True)
class HoldEvidence:
    """Evidence of some pairs for a rule, arrays (n,), times strictly increasing.

    sums      (SUMS, n) terms added up over the settled pairs of a run: COUNT (ones), EXCESS
              (beyond the limit, watts), VARIANCE (of the excess, from noise), FORWARD and
              REFLECTED (watts)
    positive  the pair is beyond the limit
    settled   the pair may be counted
    breaks    the pair is settled and on the safe side by more than its noise
    """

    time_ns: Times
    sums: Floats
    positive: Bools
    settled: Bools
    breaks: Bools


COUNT, EXCESS, VARIANCE, FORWARD, REFLECTED = range(5)
SUMS = 5


class Hold:
    """State machine of a condition held for `hold_ns`, or for the time that `needed` returns.

    An unfinished run continues across calls.
    """

    def __init__(self, hold_ns: int, needed: Needed | None = None) -> None:
        self._hold_ns = hold_ns
        self._needed = needed
        self._run: _Run | None = None
        self._previous_ns: int | None = None
        self.due_ns: int | None = None  # when the run will be long enough, as of its last pair

    @property
    def idle(self) -> bool:
        """True if there is no run, so that pairs on the safe side change nothing."""
        return self._run is None

    def skip(self, time_ns: int) -> None:
        """Skip the pairs up to `time_ns` and discard any run."""
        self._run = self.due_ns = None
        self._previous_ns = time_ns

    def find(self, evidence: HoldEvidence) -> tuple[int, Floats] | None:
        """Return the index of the first pair that satisfies the rule, and the sums of its run.

        The run is then cleared; pairs after that index have not been processed. None if there is
        none.
        """
        times = evidence.time_ns
        steps = steps_from(self._previous_ns, times)
        index = np.arange(len(times))
        run = self._run or _Run(NEVER_NS, -NEVER_NS, np.zeros(SUMS))

        # Latest supporting pair before each pair, and mask of the pairs at which a run ends.
        last = np.where(evidence.positive, index, -1)
        np.maximum.accumulate(last, out=last)
        previous = np.concatenate([[-1], last[:-1]])
        support_ns = np.where(previous >= 0, times[previous], run.last_ns)
        lapse_ns = np.maximum(max(LAPSE_NS, 2 * self._hold_ns), 2 * steps)
        ends = evidence.breaks | (times - support_ns > lapse_ns)

        # A run's number is the count of run ends up to it; number 0 is the one carried over.
        number = np.cumsum(ends)
        first_support = np.full(int(number[-1]) + 1, -1)
        support = index[evidence.positive & ~evidence.breaks]
        first_support[number[support][::-1]] = support[::-1]
        start_ns = np.where(first_support >= 0, times[first_support], NEVER_NS)
        start_ns[0] = min(int(start_ns[0]), run.start_ns)
        begin_ns = start_ns[number]

        member = evidence.settled & ~evidence.breaks & (times >= begin_ns)
        sums = np.zeros((SUMS, len(times) + 1))
        np.cumsum(evidence.sums * member, axis=1, out=sums[:, 1:])
        base = np.zeros((SUMS, len(first_support)))
        base[:, 0] = -run.totals
        base[:, 1:] = sums[:, np.flatnonzero(ends)]
        totals = sums[:, 1:] - base[:, number]

        needed_ns = self._hold_ns if self._needed is None else self._needed(totals)
        satisfied = (
            evidence.positive
            & member
            & (times - begin_ns >= needed_ns - np.minimum(steps // 2, needed_ns // 4))
            & (totals[COUNT] >= LEAST_SETTLED)
            & (totals[EXCESS] > CERTAIN * np.sqrt(np.maximum(totals[VARIANCE], 0.0)))
        )
        if satisfied.any():
            first = int(np.argmax(satisfied))
            self.skip(int(times[first]))
            return first, totals[:, first]
        self.skip(int(times[-1]))
        if begin_ns[-1] <= times[-1]:
            last_ns = int(times[last[-1]]) if last[-1] >= 0 else run.last_ns
            self._run = _Run(int(begin_ns[-1]), last_ns, totals[:, -1].copy())
            self.due_ns = self._run.start_ns + int(np.broadcast_to(needed_ns, times.shape)[-1])
        return None
