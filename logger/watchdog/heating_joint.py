"""Rule `heating-joint`: reflection repeatedly moves while the key is down and recovers at rest.

A joint of some ohms gets hot, and then worse; at rest it cools. So the last seconds of a
transmission are compared with its first ones, and with the first ones of the next transmission on
the same channel. A cycle is evidence of a heating joint if reflection rose by more than MARGIN (of
rho, or MARGIN_SHARE of it, since detectors creep a little too) and fell again by more than that;
its evidence is the lesser of both in standard deviations, clipped at CAP, so that one cycle is
never sufficient. A mere drift, or a high start alone, has no such cycles.

Some ohms more may also improve a match that was not perfect: reflection then falls while the key is
down. But so it does where somebody, or a tuner, tunes in each transmission. So a fall counts as far
as it exceeds the usual one, once that is known from USUAL_OVER transmissions.

A joint that cools slowly stays warm in a conversation, and then there are cycles only from one to
the next. So transmissions that begin after a rest of RESTED_NS are also judged by themselves.

Standard deviations are those of seconds about each other, from successive differences, which a slow
rise does not affect: the higher of the transmission's own and the usual one. A transmission counts
if it lasts LEAST_S at a power that stays within a factor of MOST_POWER; the start of the next one
needs two seconds, within REST_NS.

The test is a CUSUM over cycles of all channels, S = max(0, S + evidence - K), of LEAST_CYCLES at
least. The assumption is that without a heating joint both differences are about normal with mean 0
or less; they share the last seconds, and a correlation of 0.7 is allowed for. By Lundberg's
inequality a climb that begins at a given cycle reaches h with probability exp(-THETA h) at most,
where E exp(THETA (evidence - K)) = 1: THETA = 2.9 for K = 1 (by drawing four million). So with
CYCLES_A_YEAR cycles h = ln(CYCLES_A_YEAR / false_alarms_per_year) / THETA would be sufficient;
since neighbours share a start, and differences of few seconds have longer tails than normal ones, h
is multiplied by 1.5.

The alarm clears after COOL cycles in a row without a change, among the transmissions that raised
it, and at a repair or an adjustment.
"""

from __future__ import annotations

import math

import msgspec

from logger.config.load import WatchdogOptions
from logger.physics.reflection import swr
from logger.rows import AlarmKind, ChangeKind, SecondRows, Severity, Transmission
from logger.watchdog.course import SPAN, Course
from logger.watchdog.row_values import channel_of, rho_of
from logger.watchdog.rule import Finding, LearningRule

KIND = AlarmKind.HEATING_JOINT
SEVERITY = Severity.WARNING

LEAST_START = 2
REST_NS = 6 * 3_600_000_000_000
RESTED_NS, MOST_RESTED_NS = 180_000_000_000, 4 * 86_400_000_000_000
MARGIN, MARGIN_SHARE = 0.01, 0.05

CAP = 4.0
K = 1.0
THETA = 2.9
RESERVE = 1.5
CYCLES_A_YEAR = 50_000
TESTS = 4  # two directions, among all transmissions and among the rested
LEAST_CYCLES = 4
COOL = 5
USUAL_SD = 0.005  # until it has been learned
USUAL_OVER = 50  # transmissions
USUAL_CHANGE_OVER = 500  # at last
RISING, FALLING = 1, -1
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


class Climb(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """The CUSUM of cycles in one direction, and the number of cycles in it.

    early, late  sums of their rho at either end
    """

    score: float = 0.0
    cycles: int = 0
    early: float = 0.0
    late: float = 0.0


class Cycles(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Cycles of some of the transmissions.

    climbs  by direction, RISING or FALLING
    cool    number of cycles in a row without a change
    ends    by channel
    """

    climbs: dict[int, Climb] = {}
    cool: int = 0
    ends: dict[str, End] = {}


class Memory(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Everything learned since the last work; what is usual also before that.

    all, rested  cycles of all transmissions, of those that began after a rest
    is_rested    the latter raised the alarm
    variance     usual variance between successive seconds
    change       usual change of rho while the key is down, from `changes` transmissions
    ended_ns     end of the last transmission
    """

    all: Cycles = msgspec.field(default_factory=Cycles)
    rested: Cycles = msgspec.field(default_factory=Cycles)
    is_rested: bool = False
    variance: float = USUAL_SD**2
    change: float = 0.0
    changes: int = 0
    ended_ns: int = 0
    work_ns: int = 0


def rule(options: WatchdogOptions, memory: Memory, *, active: bool) -> HeatingJoint:
    """Return the rule's state machine; `active` if its alarm is open from before."""
    return HeatingJoint(options.false_alarm_rates()[KIND], memory, active=active)


class HeatingJoint(LearningRule):
    """State machine over seconds; each transmission is judged when it has ended."""

    takes = (SecondRows, Transmission)

    def __init__(self, false_alarms_per_year: float, memory: Memory, *, active: bool) -> None:
        cycles = max(TESTS * CYCLES_A_YEAR / false_alarms_per_year, 100.0)
        self._height = RESERVE * math.log(cycles) / THETA
        self._active = active
        self.memory = memory
        self._course = Course(0)

    def row(self, row: SecondRows | Transmission, work_ns: int) -> list[Finding]:
        """Return the changes of state caused by one row."""
        if self._course.start_ns != row.start_ns:
            self._course = Course(row.start_ns)
        if isinstance(row, SecondRows):
            self._course.extend(row, rho_of)
            return []
        worked = work_ns > self.memory.work_ns
        if worked:
            memory = self.memory
            self.memory = Memory(
                variance=memory.variance,
                change=memory.change,
                changes=memory.changes,
                work_ns=work_ns,
            )
        self._judge(row)
        memory = self.memory
        raising = memory.rested if memory.is_rested else memory.all
        if self._active and (worked or raising.cool >= COOL):
            self._active = False
            detail = "reflection no longer moves while the key is down"
            if worked:
                detail = "the station was worked on"
            memory.all.climbs, memory.rested.climbs = {}, {}
            return [Finding(row.end_ns, ChangeKind.CLEARED, None, None, detail)]
        if self._active:
            return []
        for cycles in (memory.all, memory.rested):
            for direction, climb in cycles.climbs.items():
                if climb.score >= self._height and climb.cycles >= LEAST_CYCLES:
                    self._active, memory.is_rested = True, cycles is memory.rested
                    return [_finding(row.end_ns, direction, climb)]
        return []

    def _judge(self, row: Transmission) -> None:
        """Complete the cycle of the last transmission on the channel, and begin another."""
        memory, course = self.memory, self._course
        own_variance = course.variance
        variance = memory.variance if own_variance is None else max(own_variance, memory.variance)
        usual = max(-memory.change, 0.0) if memory.changes >= USUAL_OVER else None
        if len(course.early) >= LEAST_START:
            start = sum(rho for rho, _ in course.early) / len(course.early)
            is_rested = row.start_ns - memory.ended_ns >= RESTED_NS
            ends = [(memory.all, REST_NS), (memory.rested, MOST_RESTED_NS)]
            for cycles, most_ns in ends[: 1 + is_rested]:
                end = cycles.ends.pop(channel_of(row), None)
                if end is not None and 0 <= row.start_ns - end.end_ns <= most_ns:
                    _cycle(cycles, end, start, variance / len(course.early), usual)
                if not course.is_comparable:
                    continue
                late = sum(rho for rho, _ in course.late) / SPAN
                cycles.ends[channel_of(row)] = End(start, late, variance / SPAN, row.end_ns)
                if len(cycles.ends) > MOST_CHANNELS:
                    del cycles.ends[next(iter(cycles.ends))]
            if course.is_comparable and (usual is None or not (memory.all.climbs or self._active)):
                memory.changes = min(memory.changes + 1, USUAL_CHANGE_OVER)
                memory.change += (late - start - memory.change) / memory.changes
        memory.ended_ns = row.end_ns
        if own_variance is not None:
            memory.variance += (
                min(own_variance, 9 * memory.variance) - memory.variance
            ) / USUAL_OVER


def _cycle(cycles: Cycles, end: End, start: float, variance: float, usual: float | None) -> None:
    """Process a cycle: `end` of one transmission, and rho at the `start` of the next.

    `variance` is that of `start`; `usual` is the usual fall, None if it is not known yet.
    """
    margin = max(MARGIN, MARGIN_SHARE * end.early)
    cycles.cool += 1
    for direction, less in ((RISING, 0.0), (FALLING, usual)):
        if less is None:
            continue
        moved = direction * (end.late - end.early) - less - margin
        recovered = direction * (end.late - start) - less - margin
        if moved > 0:
            cycles.cool = 0
        evidence = min(
            moved / math.sqrt(2 * end.variance),
            recovered / math.sqrt(end.variance + variance),
            CAP,
        )
        climb = cycles.climbs.get(direction, Climb())
        climb.score += max(evidence, 0.0) - K
        if climb.score <= 0:
            cycles.climbs.pop(direction, None)
            continue
        climb.cycles += 1
        climb.early += end.early
        climb.late += end.late
        cycles.climbs[direction] = climb


def _finding(time_ns: int, direction: int, climb: Climb) -> Finding:
    """Return the alarm of a climb that has reached the limit."""
    early, late = (float(swr(total / climb.cycles)) for total in (climb.early, climb.late))
    detail = (
        f"SWR {'rises' if direction == RISING else 'falls'} from {early:.2f} to {late:.2f} while"
        f" the key is down and recovers at rest, averaged over {climb.cycles} transmissions: a"
        " joint is heating up"
    )
    return Finding(time_ns, ChangeKind.RAISED, late, None, detail)
