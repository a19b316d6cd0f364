"""Statistics of the course of a fault: its rate, when silence is evidence, whether a repair worked.

The transmission is the trial: it has a sign of the fault or it has none. The rate of a fault is
uncertain, after few signs and because contacts are worse on some days than on others: it has a beta
distribution, of the signs so far divided by their dispersion (of the distances between signs,
relative to those of independent ones). The sequential test (A. Wald, Sequential Analysis, 1947)
compares that rate with that of a sound station. A run of clean transmissions must also be longer
than any that the fault has had, twice as long if its signs come in clusters, up to a limit.

Where the level has moved, a transmission off the level before the fault is a sign; after a repair
one that is nearer to the level during the fault, since work moves the level a little, too.
"""

from __future__ import annotations

import math
from math import lgamma

from logger.faults.memory import FaultMemory, Level, Levels
from logger.rows import FaultState
from logger.utc import DAY_NS

PRIOR = 0.5  # of the beta distribution, both parameters
FADES = 0.98  # weight of transmissions before a sign, once more
CERTAIN = 0.01  # probability of so long a silence by chance at which the fault is quiet,
QUIET_LEAST, QUIET_NS = 20, DAY_NS  # after so many transmissions and this time
SOUND = 0.005  # share of transmissions with a sign at a sound station
ERROR = 0.01  # of the test: fixed although it is not, back although it is fixed
DECIDED = math.log((1 - ERROR) / ERROR)
LEAST, MOST = 10, 100  # clean transmissions needed whatever the rate, and after a long pause
UNENDING = 1000  # the number needed is not searched beyond
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
        and _log_likelihood(fault, fault.clean, 0) < math.log(CERTAIN)
    )


def count_sign(fault: FaultMemory) -> None:
    """Count a transmission with a sign."""
    fault.signs = FADES * fault.signs + 1
    fault.of = FADES * fault.of + fault.clean + 1
    fault.squares = FADES * fault.squares + (fault.clean + 1) ** 2
    fault.longest = max(fault.longest, fault.clean)
    fault.clean = 0


def forget(fault: FaultMemory, levels: Levels) -> None:
    """Begin the statistics of a fault anew; `levels` are those before its new signs."""
    fault.signs, fault.of, fault.squares = 0.0, 0.0, 0.0
    fault.clean, fault.longest = 0, 0
    fault.before, fault.during = dict(levels), {}


def dispersion(fault: FaultMemory) -> float:
    """Return how much the distances between signs scatter, 1 if signs are independent."""
    if not fault.signs:
        return 1.0
    share = fault.signs / fault.of
    return max(1.0, fault.squares / fault.signs / ((2 - share) / share**2))


def _log_likelihood(fault: FaultMemory, trials: int, signs: int) -> float:
    """Return the log probability of that outcome at the rate of the fault (beta-binomial)."""
    spread = dispersion(fault)
    a = fault.signs / spread + PRIOR
    b = (fault.of - fault.signs) / spread + PRIOR
    return _log_beta(a + signs, b + trials - signs) - _log_beta(a, b)


def _log_beta(a: float, b: float) -> float:
    return lgamma(a) + lgamma(b) - lgamma(a + b)


def score(fault: FaultMemory, more: int = 0) -> float:
    """Return the log odds of fixed against not, after `more` further clean transmissions."""
    trials, signs = fault.trials + more, fault.relapses
    sound = signs * math.log(SOUND) + (trials - signs) * math.log1p(-SOUND)
    return sound - _log_likelihood(fault, trials, signs)


def least_clean(fault: FaultMemory) -> int:
    """Return how many clean transmissions a repair must show, whatever the test says.

    The next pause of a fault that comes in clusters may well be its longest.
    """
    pause = math.floor(fault.longest * min(dispersion(fault), 2.0))
    return max(LEAST, min(pause + 1, MOST))


def needed(fault: FaultMemory) -> int | None:
    """Return how many more clean transmissions would prove a repair, None if too many."""
    least = max(least_clean(fault) - fault.clean, 0)
    return next((more for more in range(least, UNENDING) if score(fault, more) >= DECIDED), None)


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


def is_off_level(fault: FaultMemory, channel: str, gamma: float) -> bool:
    """True if a transmission's |Γ| is not as before the fault; after work: as during it."""
    before, during = fault.before.get(channel), fault.during.get(channel)
    if before is None or before.count < LEVEL_LEAST_BEFORE or _is_usual(before, gamma):
        return False
    if fault.state != FaultState.VERIFYING:
        return True
    if during is None:
        return gamma > before.mean
    return abs(gamma - during.mean) < abs(gamma - before.mean)


def is_level_back(fault: FaultMemory, gamma: float) -> bool:
    """True if |Γ| is as it was before the fault on some channel."""
    return any(
        before.count >= LEVEL_LEAST_BEFORE and _is_usual(before, gamma)
        for before in fault.before.values()
    )


def _is_usual(level: Level, gamma: float) -> bool:
    return abs(gamma - level.mean) <= LEVEL_MARGIN + LEVEL_SIGMAS * math.sqrt(level.variance)


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
