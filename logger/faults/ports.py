"""Whether incident power tells that the forward port of the coupler has lost or gained gain.

A transmitter has its habits, so the incident power of a mode is known to a few per cent. Another
setting changes both readings alike and leaves the SWR; another load changes the SWR and hardly the
power. A forward port that loses gain reads less power and, by half as many decibels, more
reflection, so that reflected power stays as it was. The latter is compared with the first by their
likelihoods: with the latest readings, which shows a step, also beside a load that changed before,
and with those of a week or two ago, which shows a drift.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from logger.faults.evidence import is_known, is_usual, learn_level
from logger.faults.memory import FaultMemory, Level, Levels, PortMemory, Readings, Test
from logger.faults.signature import Signature, signature_of
from logger.faults.transmission import reflection, rounded, watts_of
from logger.rows import AlarmKind, Transmission
from logger.utc import DAY_NS, UNIT_NS

LEAST_W = 1e-3
WEEK_NS = 7 * DAY_NS
SESSION_NS = UNIT_NS["h"]  # pause between sessions
LEAST_WATTS, LEAST_GAMMAS = 6.0, 3.0  # weight of transmissions to compare with
FADES = 0.9
LEAST_SHIFT = 0.2  # of ln watts,
SIGMAS = 2.0  # besides their scatter
ALIKE = 0.3  # of ln watts, by which transmissions of one shift may differ
SCATTER, SCATTER_PART = 0.01, 0.03  # of |Γ|, besides what the readings show
MOVED, MOVED_PART = 0.03, 0.2  # of |Γ|: the load is another one
STRANGE = 0.02  # likelihood, relative to the best, of a |Γ| that neither explains
PER_SESSION = 4  # transmissions that count in a session on a channel: it has one weather
MOST = 1.0  # ln of the likelihood ratio of one transmission
FOUND, FOUND_SUSPECTED, REFUTED = 6.0, 4.0, -3.0
USED = -1.5  # score of another power at the same SWR
SAME, MOST_USED = 0.12, 8  # of ln watts; powers remembered
FOLLOWED = 0.6  # of ln watts, by which a change may move from one session to another
MOST_GAMMA = 0.999
BACK = 5  # transmissions in a row after which a change is over
LONGEST, MOST_SESSIONS = 25, 3  # at another power without a decision, after which it is usual


def judge(
    memory: PortMemory,
    row: Transmission,
    channel: str,
    gamma: float,
    *,
    cold: Sequence[Levels] = (),
    is_suspected: bool,
) -> Test | None:
    """Process a transmission without excursions; return the test that shows a changed port.

    cold          levels before open faults of heat, which less power brings back in part
    is_suspected  an alarm says so
    """
    least = FOUND_SUSPECTED if is_suspected else FOUND
    mode, ln_w = _mode(row), math.log(max(watts_of(row), LEAST_W))
    if row.start_ns - memory.ended_ns > SESSION_NS:
        for test in (memory.step, memory.drift):
            test.sessions += bool(test.counted)
            test.counted = {}
    memory.ended_ns = row.end_ns
    if memory.ln_w is not None:
        _follow(memory, mode, ln_w)
        return None
    for test, readings in ((memory.step, memory.latest), (memory.drift, memory.earlier)):
        watts = readings.watts.get(mode)
        if watts is None or watts.count < LEAST_WATTS:
            continue
        shift = ln_w - watts.mean
        if abs(shift) < LEAST_SHIFT + SIGMAS * math.sqrt(watts.variance):
            _note(memory, mode, watts.mean, test)
            continue
        if test is memory.drift and memory.step.score <= REFUTED:
            continue  # another setting
        is_used = any(abs(ln_w - used) < SAME for used in memory.used.get(mode, ()))
        level = None if is_used else readings.gammas.get(channel)
        others = [levels[channel].mean for levels in cold if channel in levels]
        _count(test, level, others, channel, gamma, shift, row.start_ns)
        if test.score >= least and test.sessions:
            memory.latest, memory.ln_w, memory.back = readings, test.ln_w, 0
            return test
    _learn(memory, mode, ln_w, channel, gamma, row.end_ns)
    return None


def explains(memory: PortMemory, fault: FaultMemory, since_ns: int) -> bool:
    """True if a fault of the feedline shows nothing but what the change of the port makes of |Γ|.

    since_ns  first transmission at the changed power
    """
    assert memory.ln_w is not None
    if signature_of(fault) == Signature.PASSING or AlarmKind.HEATING_JOINT in fault.kinds:
        return False
    known = [
        (fault.before[name], level.mean)
        for name, level in fault.during.items()
        if name in fault.before and is_known(fault.before[name])
    ]
    raised = 1 / factor(memory)
    for before, gamma in known:
        least, most = sorted((before.mean, before.mean * raised))
        nearest = msgspec.structs.replace(before, mean=min(max(gamma, least), most))
        if not is_usual(nearest, gamma):
            return False
    return bool(known) or fault.first_ns >= since_ns


def factor(memory: PortMemory) -> float:
    """Return the factor of |Γ| that undoes what the changed port makes of it, while it lasts."""
    return math.exp((memory.ln_w or 0.0) / 2) if not memory.back else 1.0


def corrected(memory: PortMemory, row: Transmission) -> Transmission:
    """Return a transmission with the SWR that the port would read without its change."""
    if memory.ln_w is None or row.swr is None:
        return row
    gamma = min(reflection(row.swr) * factor(memory), MOST_GAMMA)
    return msgspec.structs.replace(row, swr=(1 + gamma) / (1 - gamma))


def forget(memory: PortMemory) -> None:
    """Forget the loads after work; a change of the port stays until power is as it was."""
    for readings in (memory.latest, memory.later, memory.earlier):
        readings.gammas.clear()
    memory.step, memory.drift = Test(), Test()


def _mode(row: Transmission) -> str:
    """Return a class of the crest factor, which is that of the mode."""
    crest = math.log(max(rounded(row.forward_w_max) / max(watts_of(row), LEAST_W), 1.0))
    return str(round(2 * crest))


def _note(memory: PortMemory, mode: str, usual: float, test: Test) -> None:
    """End a test, since the power is the usual one again; remember the other one."""
    if test.score <= USED:
        _remember(memory, mode, usual + test.ln_w)
    _clear(test)


def _remember(memory: PortMemory, mode: str, ln_w: float) -> None:
    """Remember a power that is not the usual one."""
    memory.used[mode] = [*memory.used.get(mode, []), round(ln_w, 2)][-MOST_USED:]


def _clear(test: Test) -> None:
    test.transmissions, test.sessions, test.score, test.ln_w = 0, 0, 0.0, 0.0


def _count(
    test: Test,
    level: Level | None,
    others: Sequence[float],
    channel: str,
    gamma: float,
    shift: float,
    time_ns: int,
) -> None:
    """Add a transmission whose incident power is off by ln watts `shift`."""
    if abs(shift - test.ln_w) > ALIKE and test.transmissions:
        _clear(test)
    if not test.transmissions:
        test.since_ns = time_ns
    test.transmissions += 1
    test.ln_w += (shift - test.ln_w) / min(test.transmissions, 10)
    counted = test.counted.get(channel, 0)
    if level is None or level.count < LEAST_GAMMAS or counted >= PER_SESSION:
        return
    test.counted[channel] = counted + 1
    ends = (level.mean, *others)
    nearest = msgspec.structs.replace(level, mean=min(max(gamma, min(ends)), max(ends)))
    ratio = _ln_likelihood(gamma * math.exp(shift / 2), level) - _ln_likelihood(gamma, nearest)
    test.score = max(test.score + min(ratio, MOST), REFUTED)


def _ln_likelihood(gamma: float, level: Level) -> float:
    scatter = math.hypot(math.sqrt(level.variance), SCATTER + SCATTER_PART * level.mean)
    deviation = (gamma - level.mean) / scatter
    return math.log(math.exp(-deviation * deviation / 2) + STRANGE)


def _learn(
    memory: PortMemory, mode: str, ln_w: float, channel: str, gamma: float, time_ns: int
) -> None:
    """Learn from a transmission at its usual power, or from one at another power in the end."""
    step = memory.step
    if step.transmissions:
        if step.transmissions < LONGEST or step.sessions < MOST_SESSIONS:
            return
        _clear(step)
        if mode in memory.latest.watts:
            _remember(memory, mode, memory.latest.watts[mode].mean)
        for readings in (memory.latest, memory.later, memory.earlier):
            readings.watts.pop(mode, None)
    watts = memory.latest.watts.get(mode)
    if watts is not None and watts.count < LEAST_WATTS and abs(ln_w - watts.mean) > ALIKE:
        del memory.latest.watts[mode]
    learn_level(memory.latest.watts, mode, ln_w, FADES)
    level = memory.latest.gammas.get(channel)
    if level is not None and abs(gamma - level.mean) > MOVED + MOVED_PART * level.mean:
        for readings in (memory.latest, memory.later, memory.earlier):
            readings.gammas.clear()  # those of other channels are out of date, too
    learn_level(memory.latest.gammas, channel, gamma, FADES)
    if time_ns - memory.later_ns >= WEEK_NS:
        memory.earlier, memory.later_ns = memory.later, time_ns
        memory.later = Readings(dict(memory.latest.watts), dict(memory.latest.gammas))


def _follow(memory: PortMemory, mode: str, ln_w: float) -> None:
    """Follow a change while it lasts."""
    watts = memory.latest.watts.get(mode)
    if watts is None or memory.ln_w is None:
        return
    shift = ln_w - watts.mean
    if abs(shift - memory.ln_w) < max(FOLLOWED, abs(memory.ln_w) / 2) and shift * memory.ln_w > 0:
        memory.back = 0
        memory.ln_w += (shift - memory.ln_w) / 5
    elif abs(shift) < abs(memory.ln_w) / 2:
        memory.back += 1
        if memory.back >= BACK:
            memory.ln_w, memory.step, memory.drift = None, Test(), Test()
