"""Course of a fault: when silence is evidence, and what its level says.

The transmission is the trial: it has a sign of the fault or it has none. Where the level has moved,
a transmission off the level before the fault is a sign; after a repair one that is nearer to the
level during the fault, since work moves the level a little, too.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

import msgspec

from logger.faults import recurrence
from logger.faults.memory import FaultMemory, Level, Levels, Session
from logger.faults.recurrence import join
from logger.faults.signature import OF_CONTACTS, Signature, signature_of
from logger.rows import FaultFamily, FaultState
from logger.utc import DAY_NS
from logger.watchdog.course import Course

CERTAIN = 0.01  # probability of so long a silence by chance at which the fault is quiet,
QUIET_LEAST, QUIET_NS = 20, DAY_NS  # after so many transmissions and this time
MOST_SESSIONS = 100
LEVEL_FADES = 0.98  # weight of a transmission for the usual level, at each further one
LATEST_FADES = 0.8  # likewise for the latest level
LEVEL_LEAST_BEFORE, LEVEL_LEAST_AFTER = 5.0, 3.0
LEVEL_MARGIN = 0.01  # of |Γ|, for what the work itself and the weather change,
LEVEL_PART = 0.1  # and a part of the level
LASTING = 10  # transmissions in a row off the level
LEVEL_SHARE = 0.25  # of the shift by the fault, likewise
LEVEL_SIGMAS = 3.0
STANDS = 0.1  # of the shift, by which a level that does not depend on a contact differs
APART = 2.0  # standard deviations between levels that tell whether a repair worked
BEGIN = 2  # seconds
WARMED = 0.25  # of the change while the key is down, within them
STRAY = 0.1  # density of |Γ| for other reasons


def is_silent(fault: FaultMemory, now_ns: int) -> bool:
    """True if the fault would have shown itself by now at the rate so far."""
    return (
        fault.clean >= QUIET_LEAST
        and now_ns - fault.last_ns >= QUIET_NS
        and ln_probability(fault, fault.recent) < math.log(CERTAIN)
    )


def ln_probability(fault: FaultMemory, after: Sequence[Session]) -> float:
    """Return ln of the probability of sessions after those of a fault, if it goes on.

    If the level shows the fault, each channel has a rate of its own; one without signs tells
    nothing.
    """
    if not shows_in_level(fault):
        return recurrence.ln_probability(_on_any_channel(fault.sessions), _on_any_channel(after))
    return sum(
        recurrence.ln_probability(
            [session for session in fault.sessions if session.channel == channel],
            [session for session in after if session.channel == channel],
        )
        for channel in shown_on(fault)
    )


def shows_in_level(fault: FaultMemory) -> bool:
    """True if transmissions show the fault by their level rather than by excursions."""
    signature = signature_of(fault)
    return signature not in OF_CONTACTS or (signature == Signature.UNDECIDED and bool(fault.during))


def _on_any_channel(sessions: Sequence[Session]) -> list[Session]:
    return join([], [msgspec.structs.replace(session, channel="") for session in sessions])


def shown_on(fault: FaultMemory) -> list[str]:
    """Return the channels with signs, the one with most of them first."""
    signs: Counter[str] = Counter()
    for session in fault.sessions:
        signs[session.channel] += session.signs
    return [channel for channel, number in signs.most_common() if number]


def is_elsewhere(fault: FaultMemory, antenna: str | None) -> bool:
    """True if a fault of the feedline could not show in a transmission on that antenna."""
    if fault.family != FaultFamily.FEEDLINE or antenna is None or not fault.antennas:
        return False
    return antenna not in fault.antennas


def count(fault: FaultMemory, trial: Session) -> None:
    """Count a transmission, given as a session of one."""
    fault.recent = join(fault.recent, [trial])
    has_sign = trial.signs > 0
    fault.clean = 0 if has_sign else fault.clean + 1


def adopt(fault: FaultMemory) -> None:
    """Make the recent sessions part of the course of the fault."""
    fault.sessions = join(fault.sessions, fault.recent)[-MOST_SESSIONS:]
    fault.recent = []


def forget(fault: FaultMemory, levels: Levels) -> None:
    """Begin the statistics of a fault anew; `levels` are those before its new signs."""
    fault.sessions, fault.recent, fault.clean = [], [], 0
    fault.before, fault.during, fault.shown = dict(levels), {}, {}


def learn_level(levels: Levels, channel: str, gamma: float, fades: float = LEVEL_FADES) -> None:
    """Add a transmission's |Γ| to the level of its channel; older ones fade."""
    level = levels.get(channel, Level())
    count = fades * level.count + 1
    gain = 1 / count
    shift = gamma - level.mean
    levels[channel] = Level(
        count, level.mean + gain * shift, (1 - gain) * (level.variance + gain * shift * shift)
    )


def learn_latest(fault: FaultMemory, channel: str, gamma: float) -> None:
    """Add a transmission's |Γ| to the latest level of its channel."""
    learn_level(fault.latest, channel, gamma, LATEST_FADES)


def is_known(level: Level) -> bool:
    """True if a level comes from enough transmissions to compare others with it."""
    return level.count >= LEVEL_LEAST_BEFORE


def compare_level(fault: FaultMemory) -> bool | None:
    """True if the level is as before the fault, or better; None if that is not known yet.

    After a fault that lowered the reflection, as one of a detector does, lower is not better.
    """
    verdicts = [
        _shift(before, after, during) <= _tolerance(before, after, during)
        for before, after, during in _compared(fault)
    ]
    return all(verdicts) if verdicts else None


def is_off_level(fault: FaultMemory, channel: str, gamma: float) -> bool:
    """True if a transmission's |Γ| is not as before the fault; after work: as during it."""
    before, during = fault.before.get(channel), fault.during.get(channel)
    if before is None or not is_known(before) or is_usual(before, gamma):
        return False
    if fault.state != FaultState.VERIFYING:
        return True
    if during is None:
        return gamma > before.mean and not fault.during
    return abs(gamma - during.mean) < abs(gamma - before.mean)


def cold_level(course: Course, usual: float) -> float | None:
    """Return the |Γ| of a cold line at which a transmission began, the nearest to the usual one.

    Something may have warmed before the first seconds were over.
    """
    early = [gamma for gamma, _ in course.early[:BEGIN]]
    if not early:
        return None
    gamma = math.fsum(early) / len(early)
    late = math.fsum(gamma for gamma, _ in course.late) / len(course.late)
    least, most = sorted((gamma, gamma - WARMED * (late - gamma)))
    return min(max(usual, least), most)


def moved_levels(fault: FaultMemory) -> Levels:
    """Return the levels to which a fault has moved those before, as far as known while cold."""
    return {
        channel: msgspec.structs.replace(fault.before[channel], mean=cold.mean)
        for channel, cold in fault.cold.items()
        if channel in fault.before
    }


def is_level_back(fault: FaultMemory, gamma: float) -> bool:
    """True if |Γ| is as it was before the fault on some channel."""
    return any(is_known(before) and is_usual(before, gamma) for before in fault.before.values())


def stands(fault: FaultMemory, channel: str, gamma: float) -> bool:
    """True if a transmission is at the level to which a fault has moved its channel."""
    before, during = fault.before.get(channel), fault.during.get(channel)
    if before is None or during is None or not (is_known(before) and is_known(during)):
        return False
    moved = abs(during.mean - before.mean)
    return not is_usual(before, during.mean) and abs(gamma - during.mean) <= STANDS * moved


def is_usual(level: Level, gamma: float) -> bool:
    """True if |Γ| differs from a level by no more than weather and noise explain."""
    margin = LEVEL_MARGIN + LEVEL_PART * level.mean + LEVEL_SIGMAS * math.sqrt(level.variance)
    return abs(gamma - level.mean) <= margin


def _compared(fault: FaultMemory) -> list[tuple[Level, Level, Level]]:
    """Return the levels of each channel before, after and during a fault, as far as known."""
    return [
        (fault.before[channel], after, fault.during.get(channel, fault.before[channel]))
        for channel, after in sorted(fault.after.items())
        if after.count >= LEVEL_LEAST_AFTER
        and channel in fault.before
        and is_known(fault.before[channel])
    ]


def _shift(before: Level, after: Level, during: Level) -> float:
    """Return the shift of the mean to the worse."""
    shift = after.mean - before.mean
    return abs(shift) if during.mean < before.mean else shift


def _tolerance(before: Level, after: Level, during: Level) -> float:
    scatter = before.variance * (1 / before.count + 1 / after.count)
    moved = abs(during.mean - before.mean)
    margin = LEVEL_MARGIN + LEVEL_PART * before.mean
    return margin + LEVEL_SHARE * moved + LEVEL_SIGMAS * math.sqrt(scatter)


def moved_on(fault: FaultMemory) -> list[str]:
    """Return the channels on which the level just before the repair was another than before."""
    return [
        channel
        for channel, latest in sorted(fault.latest.items())
        if latest.count >= LEVEL_LEAST_AFTER
        and channel in fault.before
        and is_known(fault.before[channel])
        and abs(latest.mean - fault.before[channel].mean)
        >= APART * max(_spread(latest), _spread(fault.before[channel]))
    ]


def ln_level_odds(fault: FaultMemory) -> float:
    """Return ln of the odds that the levels since the repair are those before the fault.

    Against those just before the repair, or further off, on the channels where they differ.
    """
    return sum(
        _ln_level_odds(fault.before[channel], fault.latest[channel], fault.after[channel].mean)
        for channel in moved_on(fault)
        if channel in fault.after and fault.after[channel].count >= LEVEL_LEAST_AFTER
    )


def _ln_level_odds(before: Level, latest: Level, gamma: float) -> float:
    is_further = (gamma - latest.mean) * (latest.mean - before.mean) > 0
    return _ln_density(before, gamma) - _ln_density(latest, latest.mean if is_further else gamma)


def _ln_density(level: Level, gamma: float) -> float:
    """Return ln of the density of a later mean |Γ|, which may be another one for any reason."""
    spread = _spread(level)
    z = (gamma - level.mean) / spread
    return math.log(math.exp(-z * z / 2) / (spread * math.sqrt(2 * math.pi)) + STRAY)


def _spread(level: Level) -> float:
    """Return the standard deviation of a later mean about a level."""
    margin = LEVEL_MARGIN + LEVEL_PART * level.mean
    return math.sqrt((margin / 2) ** 2 + level.variance)


def worst_levels(fault: FaultMemory) -> tuple[float, float] | None:
    """Return the means before and after on the channel that has changed most to the worse."""
    levels = _compared(fault)
    if not levels:
        return None
    before, after, _ = max(levels, key=lambda item: _shift(*item))
    return before.mean, after.mean
