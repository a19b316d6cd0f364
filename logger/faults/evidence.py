"""Statistics of the course of a fault: its rate, when silence is evidence, whether a repair worked.

The transmission is the trial: it has a sign of the fault or it has none. Wald's sequential test
(A. Wald, Sequential Analysis, 1947) compares the rate before the repair with that of a sound
station. Contacts are worse on some days than on others, so a run of clean transmissions must also
be longer than any that the fault has had, up to a limit.
"""

from __future__ import annotations

import math

from logger.faults.memory import FaultMemory, Level, Levels
from logger.utc import DAY_NS

PRIOR = 0.5  # beta prior of the rate, both parameters
FADES = 0.98  # weight of transmissions before a sign, once more
CERTAIN = 0.01  # probability of so long a silence by chance at which the fault is quiet,
QUIET_LEAST, QUIET_NS = 20, DAY_NS  # after so many transmissions and this time
SOUND = 0.005  # share of transmissions with a sign at a sound station
ERROR = 0.01  # of the test: fixed although it is not, back although it is fixed
DECIDED = math.log((1 - ERROR) / ERROR)
LEAST, MOST = 10, 45  # clean transmissions needed whatever the rate, and for a long clean run
LOWEST, HIGHEST = 0.02, 0.8  # rates assumed at least and at most
LEVEL_FADES = 0.98  # weight of a transmission for the usual level, at each further one
LEVEL_LEAST_BEFORE, LEVEL_LEAST_AFTER = 5.0, 3.0
LEVEL_MARGIN = 0.02  # of |Γ|, for what the work itself and the weather change
LEVEL_SIGMAS = 3.0


def rate(fault: FaultMemory) -> float:
    """Return the share of transmissions with a sign, up to the last one."""
    return (fault.signs + PRIOR) / (fault.of + 2 * PRIOR)


def is_silent(fault: FaultMemory, now_ns: int) -> bool:
    """True if the fault would have shown itself by now at the rate so far."""
    return (
        fault.clean >= QUIET_LEAST
        and now_ns - fault.last_ns >= QUIET_NS
        and fault.clean * math.log1p(-min(rate(fault), HIGHEST)) < math.log(CERTAIN)
    )


def count_sign(fault: FaultMemory) -> None:
    """Count a transmission with a sign."""
    fault.signs = FADES * fault.signs + 1
    fault.of = FADES * fault.of + fault.clean + 1
    fault.longest = max(fault.longest, fault.clean)
    fault.clean = 0


def score_step(fault: FaultMemory, *, has_sign: bool) -> float:
    """Return the change of the test's score by one transmission since the repair."""
    before = min(max(rate(fault), LOWEST), HIGHEST)
    return math.log(SOUND / before) if has_sign else math.log((1 - SOUND) / (1 - before))


def needed(fault: FaultMemory) -> int:
    """Return how many clean transmissions in all, without a sign, would prove a repair."""
    by_score = fault.clean + math.ceil((DECIDED - fault.score) / score_step(fault, has_sign=False))
    return max(LEAST, by_score, min(fault.longest + 1, MOST))


def learn_level(levels: Levels, channel: str, gamma: float, fades: float = LEVEL_FADES) -> None:
    """Add a transmission's |Γ| to the level of its channel; older ones fade."""
    level = levels.get(channel, Level())
    count = fades * level.count + 1
    gain = 1 / count
    shift = gamma - level.mean
    levels[channel] = Level(
        count, level.mean + gain * shift, (1 - gain) * (level.variance + gain * shift * shift)
    )


def compare_level(fault: FaultMemory) -> bool | None:
    """True if the level is as before the fault, or better; None if that is not known yet."""
    verdicts = [
        after.mean <= before.mean + _tolerance(before, after) for before, after in _both(fault)
    ]
    return all(verdicts) if verdicts else None


def _both(fault: FaultMemory) -> list[tuple[Level, Level]]:
    return [
        (fault.before[channel], after)
        for channel, after in sorted(fault.after.items())
        if after.count >= LEVEL_LEAST_AFTER
        and channel in fault.before
        and fault.before[channel].count >= LEVEL_LEAST_BEFORE
    ]


def _tolerance(before: Level, after: Level) -> float:
    scatter = before.variance * (1 / before.count + 1 / after.count)
    return LEVEL_MARGIN + LEVEL_SIGMAS * math.sqrt(scatter)


def worst_levels(fault: FaultMemory) -> tuple[float, float] | None:
    """Return the means before and after on the channel that has changed most to the worse."""
    pairs = [(before.mean, after.mean) for before, after in _both(fault)]
    return max(pairs, key=lambda pair: pair[1] - pair[0]) if pairs else None
