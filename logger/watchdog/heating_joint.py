"""Rule `heating-joint`: reflection repeatedly rises while the key is down and recovers at rest.

A joint of some ohms gets hot, and then worse; at rest it cools. So the last seconds of a
transmission are compared with its first ones, and with the first ones of the next transmission on
the same channel. A cycle is evidence of a heating joint if reflection rose by more than MARGIN (of
rho, or MARGIN_SHARE of it, since detectors creep a little too) and fell again by more than that;
its evidence is the lesser of both in standard deviations, clipped at CAP, so that one cycle is
never sufficient. A mere drift, or a high start alone, has no such cycles.

Standard deviations are those of seconds about each other, from successive differences, which a slow
rise does not affect: the higher of the transmission's own and the usual one. A transmission counts
if it lasts LEAST_S at a power that stays within a factor of MOST_POWER; the start of the next one
needs two seconds, within REST_NS.

The test is a CUSUM over cycles of all channels, S = max(0, S + evidence - K), of LEAST_CYCLES at
least. The assumption is that without a heating joint both differences are about normal with mean 0
or less; they share the last seconds, and a correlation of 0.7 is allowed for. By Lundberg's
inequality a climb that begins at a given cycle reaches h with probability exp(-THETA h) at most,
where E exp(THETA (evidence - K)) = 1: THETA = 3.08 for K = 1 (by drawing four million). So with
CYCLES_A_YEAR cycles h = ln(CYCLES_A_YEAR / false_alarms_per_year) / THETA would be sufficient;
since neighbours share a start, and differences of few seconds have longer tails than normal ones, h
is multiplied by 1.5.

The alarm clears after COOL cycles in a row without a rise, and at a repair or an adjustment.
"""

from __future__ import annotations

import math
from collections import deque

import msgspec

from logger.config.load import WatchdogOptions
from logger.physics.reflection import swr
from logger.rows import AlarmKind, ChangeKind, Second, SecondRows, Severity, Transmission
from logger.watchdog.row_values import channel_of, is_readable, rho_of
from logger.watchdog.rule import Finding, LearningRule

KIND = AlarmKind.HEATING_JOINT
SEVERITY = Severity.WARNING

SPAN = 3  # seconds at either end
LEAST_S = 8
LEAST_START = 2
REST_NS = 6 * 3_600_000_000_000
FOLLOWS_NS = 1_500_000_000  # seconds further apart are not used for the scatter
MOST_POWER = 3.0
MARGIN, MARGIN_SHARE = 0.01, 0.05

CAP = 3.0
K = 1.0
THETA = 3.08
RESERVE = 1.5
CYCLES_A_YEAR = 50_000
LEAST_CYCLES = 4
COOL = 5
USUAL_SD = 0.005  # until it has been learned
USUAL_OVER = 50  # transmissions
MOST_CHANNELS = 40


class End(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Ends of the last long transmission on a channel.

    early, late  rho of its first and last seconds
    variance     of either mean
    end_ns       end of the transmission
    """

    early: float
    late: float
    variance: float
    end_ns: int


class Memory(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Everything learned since the last work.

    score, cycles  the CUSUM, and the number of cycles in it,
    early, late    with the sums of their rho at either end
    cool           number of cycles in a row without a rise
    variance       usual variance between successive seconds
    ends           by channel
    """

    score: float = 0.0
    cycles: int = 0
    early: float = 0.0
    late: float = 0.0
    cool: int = 0
    variance: float = USUAL_SD**2
    ends: dict[str, End] = {}
    work_ns: int = 0


class _Course:
    """Seconds of one transmission."""

    def __init__(self, start_ns: int) -> None:
        self.start_ns = start_ns
        self.early: list[tuple[float, float]] = []  # rho and incident watts
        self.late: deque[tuple[float, float]] = deque(maxlen=SPAN)
        self.count = 0
        self._squares = 0.0
        self._steps = 0
        self._last_ns = 0

    def add(self, row: Second) -> None:
        """Add the next second."""
        if row.swr is None or not is_readable(row):
            return
        rho = rho_of(row.swr)
        if self.late and row.time_ns - self._last_ns < FOLLOWS_NS:
            self._squares += (rho - self.late[-1][0]) ** 2
            self._steps += 1
        self._last_ns = row.time_ns
        self.count += 1
        self.late.append((rho, row.forward_w))
        if len(self.early) < SPAN:
            self.early.append((rho, row.forward_w))

    @property
    def variance(self) -> float | None:
        """Variance between successive seconds; None if there are too few."""
        return 0.5 * self._squares / self._steps if self._steps >= LEAST_S // 2 else None

    @property
    def is_comparable(self) -> bool:
        """True if its two ends can be compared."""
        powers = [sum(watts for _, watts in end) for end in (self.early, self.late)]
        return self.count >= LEAST_S and max(powers) <= MOST_POWER * min(powers)


def rule(options: WatchdogOptions, memory: Memory, *, active: bool) -> HeatingJoint:
    """Return the rule's state machine; `active` if its alarm is open from before."""
    return HeatingJoint(options.false_alarm_rates()[KIND], memory, active=active)


class HeatingJoint(LearningRule):
    """State machine over seconds; each transmission is judged when it has ended."""

    takes = (SecondRows, Transmission)

    def __init__(self, false_alarms_per_year: float, memory: Memory, *, active: bool) -> None:
        cycles = max(CYCLES_A_YEAR / false_alarms_per_year, 100.0)
        self._height = RESERVE * math.log(cycles) / THETA
        self._active = active
        self.memory = memory
        self._course = _Course(0)

    def row(self, row: SecondRows | Transmission, work_ns: int) -> list[Finding]:
        """Return the changes of state caused by one row."""
        if self._course.start_ns != row.start_ns:
            self._course = _Course(row.start_ns)
        if isinstance(row, SecondRows):
            for second in row.rows():
                self._course.add(second)
            return []
        worked = work_ns > self.memory.work_ns
        if worked:
            self.memory = Memory(variance=self.memory.variance, work_ns=work_ns)
        self._judge(row)
        memory = self.memory
        if self._active and (worked or memory.cool >= COOL):
            self._active = False
            detail = "reflection no longer rises while the key is down"
            if worked:
                detail = "the station was worked on"
            memory.score, memory.cycles = 0.0, 0
            return [Finding(row.end_ns, ChangeKind.CLEARED, None, None, detail)]
        if self._active or memory.score < self._height or memory.cycles < LEAST_CYCLES:
            return []
        self._active = True
        early, late = (float(swr(total / memory.cycles)) for total in (memory.early, memory.late))
        detail = (
            f"SWR rises from {early:.2f} to {late:.2f} while the key is down and recovers at rest,"
            f" averaged over {memory.cycles} transmissions: a joint is heating up"
        )
        return [Finding(row.end_ns, ChangeKind.RAISED, late, None, detail)]

    def _judge(self, row: Transmission) -> None:
        """Complete the cycle of the last transmission on the channel, and begin another."""
        memory, course = self.memory, self._course
        name = channel_of(row)
        own_variance = course.variance
        variance = memory.variance if own_variance is None else max(own_variance, memory.variance)
        if len(course.early) >= LEAST_START:
            start = sum(rho for rho, _ in course.early) / len(course.early)
            end = memory.ends.pop(name, None)
            if end is not None and 0 <= row.start_ns - end.end_ns <= REST_NS:
                self._cycle(end, start, variance / len(course.early))
            if course.is_comparable:
                late_rho = sum(rho for rho, _ in course.late) / SPAN
                memory.ends[name] = End(start, late_rho, variance / SPAN, row.end_ns)
                if len(memory.ends) > MOST_CHANNELS:
                    del memory.ends[next(iter(memory.ends))]
        if own_variance is not None:
            memory.variance += (
                min(own_variance, 9 * memory.variance) - memory.variance
            ) / USUAL_OVER

    def _cycle(self, end: End, start: float, variance: float) -> None:
        """Process a cycle: `end` of one transmission, and rho at the `start` of the next.

        `variance` is that of `start`.
        """
        memory = self.memory
        margin = max(MARGIN, MARGIN_SHARE * end.early)
        rise = (end.late - end.early - margin) / math.sqrt(2 * end.variance)
        fall = (end.late - start - margin) / math.sqrt(end.variance + variance)
        evidence = min(rise, fall, CAP)
        memory.cool = memory.cool + 1 if rise <= 0 else 0
        memory.score = max(0.0, memory.score + max(evidence, -CAP) - K)
        if memory.score == 0.0:
            memory.cycles, memory.early, memory.late = 0, 0.0, 0.0
            return
        memory.cycles += 1
        memory.early += end.early
        memory.late += end.late
